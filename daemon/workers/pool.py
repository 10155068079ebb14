"""Worker processes that can be blamed, limited and replaced.

Each worker is a spawned process that runs one task at a time, so a crash, a hang or a memory blow-up is the
fault of exactly one drop and touches nothing else. The parent keeps the deadline and kills; it never imports
numpy. A worker dies with its parent, lowers its own priority, and is replaced between tasks when it has
grown. (No ``ProcessPoolExecutor``: one dead worker breaks the whole pool, and ``max_tasks_per_child``
deadlocks.)
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import wait
from typing import Any

from daemon.core.errors import BeatintakeError, InternalError, MachineError
from daemon.workers.handle import START_TIMEOUT_S, Worker
from daemon.workers.process import Setup

MEMORY_CHECK_S = 1.0
START_PAUSE_S = 2.0


@dataclass(frozen=True, slots=True)
class Task:
    """``function`` is "module:name"; it is called with ``arguments`` (and ``on_stage`` when ``stages``)."""

    id: str
    function: str
    arguments: tuple[Any, ...]
    timeout_s: float
    stages: bool = False


@dataclass(frozen=True, slots=True)
class Stage:
    task_id: str
    name: str


@dataclass(frozen=True, slots=True)
class Done:
    task_id: str
    value: Any


@dataclass(frozen=True, slots=True)
class Failed:
    """The function raised. The worker lives on."""

    task_id: str
    error: BeatintakeError
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Died:
    """The worker was lost with the task: crash, deadline or memory. ``reason`` is for people."""

    task_id: str
    reason: str
    detail: str = ""


WorkerEvent = Stage | Done | Failed | Died


class WorkerPool:
    """``count`` warm workers. ``submit`` when ``idle``; ``poll`` returns what happened."""

    def __init__(self, count: int, setup: Setup) -> None:
        self.count = count
        self.extra = 0  # beyond ``count``, for a while
        self.setup = setup
        self.failed_starts = 0
        self._workers: list[Worker] = []
        self._numbers = itertools.count(1)
        self._memory_checked = 0.0
        self._next_start = 0.0

    # --- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        while len(self._workers) < self.count + self.extra:
            self._workers.append(Worker(self.setup, next(self._numbers)))

    def wait_until_warm(self, timeout_s: float = START_TIMEOUT_S) -> None:
        """Block until one worker is warm. Raises MachineError when none gets there."""
        limit = time.monotonic() + timeout_s
        while not any(worker.warm for worker in self._workers):
            if time.monotonic() > limit or self.failed_starts >= 3:
                raise MachineError("worker process", "it cannot be started", "run 'beatintake doctor'")
            self.poll(0.5)

    def stop(self) -> None:
        """Kill what runs, let the idle ones go. Nothing of a killed task is kept by anybody."""
        for worker in self._workers:
            if worker.task is not None or not worker.warm:
                worker.process.kill()
            worker.pipe.close()
        for worker in self._workers:
            worker.close(2.0)
        self._workers.clear()

    # --- work ---------------------------------------------------------------------------------------------

    @property
    def idle(self) -> int:
        return sum(worker.idle for worker in self._workers)

    @property
    def running(self) -> list[str]:
        return [worker.task.id for worker in self._workers if worker.task]

    def submit(self, task: Task) -> None:
        """Give a task to an idle worker."""
        worker = next(worker for worker in self._workers if worker.idle)
        worker.task, worker.started = task, time.monotonic()
        try:
            worker.pipe.send(task)
        except (OSError, ValueError):
            worker.kill()  # poll tells

    def suspend(self, task_id: str) -> None:
        """Stop the task's process where it is; its clock stands still."""
        for worker in self._with_task(task_id):
            worker.suspend()

    def resume(self, task_id: str) -> None:
        for worker in self._with_task(task_id):
            worker.resume()

    def suspend_all(self) -> None:
        for task_id in self.running:
            self.suspend(task_id)

    def resume_all(self, but: str | None = None) -> None:
        for task_id in self.running:
            if task_id != but:
                self.resume(task_id)

    def suspended(self, task_id: str) -> bool:
        return any(worker.suspended_at is not None for worker in self._with_task(task_id))

    def _with_task(self, task_id: str) -> list[Worker]:
        return [worker for worker in self._workers if worker.task and worker.task.id == task_id]

    def poll(self, timeout_s: float, wake: Sequence[Any] = ()) -> list[WorkerEvent]:
        """Wait until a worker has sent something, one of ``wake`` is readable, or the time is over."""
        self._respawn()
        now = time.monotonic()
        nearest = min((worker.deadline for worker in self._workers), default=now + timeout_s)
        busy = any(worker.task for worker in self._workers)
        limit = min(timeout_s, max(0.0, nearest - now), MEMORY_CHECK_S if busy else timeout_s)
        handles = [h for worker in self._workers for h in (worker.pipe, worker.process.sentinel)]
        signalled = wait([*handles, *wake], limit)
        events: list[WorkerEvent] = []
        for worker in list(self._workers):
            if worker.pipe in signalled:
                events += self._read(worker)
            if worker in self._workers and worker.process.sentinel in signalled:
                events += self._read(worker)  # what it still said before it died
                events += self._remove_dead(worker)
        self._guard()
        return events

    def _read(self, worker: Worker) -> list[WorkerEvent]:
        events: list[WorkerEvent] = []
        try:
            while worker in self._workers and worker.pipe.poll():
                events += self._received(worker, worker.pipe.recv())
        except (EOFError, OSError):
            worker.kill()
        except Exception as error:  # a message that cannot be read back
            worker.kill(f"its answer could not be read ({error})")
        return events

    def _received(self, worker: Worker, message: tuple[Any, ...]) -> list[WorkerEvent]:
        kind, *content = message
        if kind == "warm":
            worker.warm, self.failed_starts = True, 0
            return []
        task = worker.task
        if task is None:
            return []
        if kind == "stage":
            return [Stage(task.id, content[0])]
        worker.task = None
        event: WorkerEvent = Done(task.id, content[0]) if kind == "done" else self._failure(task, *content)
        suspect = isinstance(event, Died) or (
            isinstance(event, Failed) and isinstance(event.error, InternalError)
        )
        if suspect or worker.rss() > self.setup.recycle_bytes:
            self._retire(worker)
        return [event]

    def _failure(self, task: Task, error: Any, detail: str) -> WorkerEvent:
        if error == "memory":
            return Died(
                task.id, f"it needed more than the {self.setup.memory_bytes >> 20} MB allowed", detail
            )
        return Failed(task.id, error, detail)

    def _remove_dead(self, worker: Worker) -> list[WorkerEvent]:
        reason, words = worker.cause_of_death(), worker.stderr_tail()
        self._workers.remove(worker)
        worker.close(0.0)
        if worker.task is not None:
            return [Died(worker.task.id, reason, words)]
        if not worker.warm:
            self.failed_starts += 1
            self._next_start = time.monotonic() + min(60.0, START_PAUSE_S * 2.0 ** (self.failed_starts - 1))
        return []

    def _retire(self, worker: Worker) -> None:
        self._workers.remove(worker)
        worker.close(1.0)

    def _respawn(self) -> None:
        """As many workers as wanted: new ones (after failed starts with pauses), fewer when idle."""
        for worker in [worker for worker in self._workers if worker.idle]:
            if len(self._workers) > self.count + self.extra:
                self._retire(worker)
        if len(self._workers) < self.count + self.extra and time.monotonic() >= self._next_start:
            self.start()

    def _guard(self) -> None:
        """Deadlines always; memory where the system sets no limit, and as a second line where it does."""
        now = time.monotonic()
        for worker in self._workers:
            if now >= worker.deadline:
                limit = worker.task.timeout_s if worker.task else START_TIMEOUT_S
                worker.kill(f"it took longer than the {limit:g} s allowed")
        if now - self._memory_checked >= MEMORY_CHECK_S:
            self._memory_checked = now
            for worker in self._workers:
                if worker.task and worker.rss() > self.setup.memory_bytes:
                    worker.kill(f"it needed more than the {self.setup.memory_bytes >> 20} MB allowed")
