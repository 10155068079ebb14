"""Worker processes that can be blamed, limited and replaced.

Each worker is a spawned process that runs one task at a time, so a crash, a hang or a memory blow-up is the
fault of exactly one drop and touches nothing else. The parent keeps the deadline and kills; it never imports
numpy. A worker dies with its parent, lowers its own priority, and is replaced between tasks when it has
grown. (No ``ProcessPoolExecutor``: one dead worker breaks the whole pool, and ``max_tasks_per_child``
deadlocks.)
"""

from __future__ import annotations

import itertools
import multiprocessing
import signal
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

import psutil

from daemon.errors import BeatintakeError, InternalError, MachineError
from daemon.worker_process import Setup, work

START_TIMEOUT_S = 300.0
MEMORY_CHECK_S = 1.0
STDERR_TAIL = 2000


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


Report = Stage | Done | Failed | Died


class _Worker:
    """One process and what the parent knows about it."""

    def __init__(self, setup: Setup, number: int) -> None:
        context = multiprocessing.get_context("spawn")
        self.setup = replace(setup, stderr=setup.stderr and setup.stderr.with_name(f"worker-{number}.stderr"))
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=work, args=(theirs, self.setup), name=f"beatintake-{number}")
        self.process.start()
        theirs.close()
        self.task: Task | None = None
        self.warm = False
        self.started = time.monotonic()
        self.suspended_at: float | None = None
        self.kill_reason: str | None = None

    @property
    def idle(self) -> bool:
        return self.warm and self.task is None

    @property
    def deadline(self) -> float:
        if self.suspended_at is not None:
            return float("inf")
        return self.started + (self.task.timeout_s if self.task else START_TIMEOUT_S)

    def rss(self) -> int:
        try:
            return int(psutil.Process(self.process.pid).memory_info().rss)
        except psutil.Error:
            return 0

    def kill(self, reason: str | None = None) -> None:
        self.kill_reason = self.kill_reason or reason
        self.process.kill()

    def obituary(self) -> str:
        """Why it died, in words."""
        self.process.join(5)
        code = self.process.exitcode
        if self.kill_reason:
            return self.kill_reason
        if code is not None and code < 0:
            name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
            hint = " (perhaps by the system, for lack of memory)" if name == "SIGKILL" else ""
            return f"the worker process was ended by {name}{hint}"
        return f"the worker process ended by itself (exit code {code})"

    def last_words(self) -> str:
        try:
            return (
                (self.setup.stderr.read_bytes()[-STDERR_TAIL:]).decode("utf-8", "replace")
                if self.setup.stderr
                else ""
            )
        except OSError:
            return ""


class WorkerPool:
    """``count`` warm workers. ``submit`` when ``idle``; ``poll`` returns what happened."""

    def __init__(self, count: int, setup: Setup) -> None:
        self.count = count
        self.setup = setup
        self.failed_starts = 0
        self._workers: list[_Worker] = []
        self._numbers = itertools.count(1)
        self._memory_checked = 0.0
        self._next_start = 0.0

    # --- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        while len(self._workers) < self.count:
            self._workers.append(_Worker(self.setup, next(self._numbers)))

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
            worker.pipe.close()
            if worker.task is not None or not worker.warm:
                worker.process.kill()
        for worker in self._workers:
            worker.process.join(2)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join(5)
            worker.process.close()
        self._workers.clear()

    # --- work ---------------------------------------------------------------------------------------------

    @property
    def idle(self) -> int:
        return sum(worker.idle for worker in self._workers)

    @property
    def running(self) -> list[str]:
        return [worker.task.id for worker in self._workers if worker.task]

    @property
    def pids(self) -> list[int]:
        return [worker.process.pid or 0 for worker in self._workers]

    def submit(self, task: Task) -> None:
        """Give a task to an idle worker."""
        worker = next(worker for worker in self._workers if worker.idle)
        worker.task, worker.started = task, time.monotonic()
        try:
            worker.pipe.send(task)
        except (OSError, ValueError):
            worker.kill()  # poll reports it

    def cancel(self, task_id: str, reason: str) -> None:
        """Kill the worker that runs the task; ``poll`` reports it as died."""
        for worker in self._with_task(task_id):
            worker.kill(reason)

    def suspend(self, task_id: str) -> None:
        """Stop the task's process where it is; its clock stands still."""
        for worker in self._with_task(task_id):
            if worker.suspended_at is None:
                with suppress(psutil.Error):
                    psutil.Process(worker.process.pid).suspend()
                    worker.suspended_at = time.monotonic()

    def resume(self, task_id: str) -> None:
        for worker in self._with_task(task_id):
            if worker.suspended_at is not None:
                worker.started += time.monotonic() - worker.suspended_at
                worker.suspended_at = None
                with suppress(psutil.Error):
                    psutil.Process(worker.process.pid).resume()

    def suspended(self, task_id: str) -> bool:
        return any(worker.suspended_at is not None for worker in self._with_task(task_id))

    def _with_task(self, task_id: str) -> list[_Worker]:
        return [worker for worker in self._workers if worker.task and worker.task.id == task_id]

    def poll(self, timeout_s: float, wake: Sequence[Any] = ()) -> list[Report]:
        """Wait until a worker reports, one of ``wake`` is readable, or the time is over."""
        self._respawn()
        now = time.monotonic()
        nearest = min((worker.deadline for worker in self._workers), default=now + timeout_s)
        busy = any(worker.task for worker in self._workers)
        limit = min(timeout_s, max(0.0, nearest - now), MEMORY_CHECK_S if busy else timeout_s)
        handles = [h for worker in self._workers for h in (worker.pipe, worker.process.sentinel)]
        signalled = wait([*handles, *wake], limit)
        reports: list[Report] = []
        for worker in list(self._workers):
            if worker.pipe in signalled:
                reports += self._read(worker)
            if worker in self._workers and worker.process.sentinel in signalled:
                reports += self._read(worker)  # what it still said before it died
                reports += self._bury(worker)
        self._guard()
        return reports

    def _read(self, worker: _Worker) -> list[Report]:
        reports: list[Report] = []
        try:
            while worker in self._workers and worker.pipe.poll():
                reports += self._heard(worker, worker.pipe.recv())
        except (EOFError, OSError):
            worker.kill()
        except Exception as error:  # a message that cannot be read back
            worker.kill(f"its answer could not be read ({error})")
        return reports

    def _heard(self, worker: _Worker, message: tuple[Any, ...]) -> list[Report]:
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
        report: Report = Done(task.id, content[0]) if kind == "done" else self._failure(task, *content)
        suspect = isinstance(report, Died) or (
            isinstance(report, Failed) and isinstance(report.error, InternalError)
        )
        if suspect or worker.rss() > self.setup.recycle_bytes or len(self._workers) > self.count:
            self._retire(worker)
        return [report]

    def _failure(self, task: Task, error: Any, detail: str) -> Report:
        if error == "memory":
            return Died(
                task.id, f"it needed more than the {self.setup.memory_bytes >> 20} MB allowed", detail
            )
        return Failed(task.id, error, detail)

    def _bury(self, worker: _Worker) -> list[Report]:
        reason, words = worker.obituary(), worker.last_words()
        self._workers.remove(worker)
        worker.pipe.close()
        worker.process.close()
        if worker.task is not None:
            return [Died(worker.task.id, reason, words)]
        if not worker.warm:
            self.failed_starts += 1
            self._next_start = time.monotonic() + min(60.0, 2.0**self.failed_starts)
        return []

    def _retire(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.pipe.close()
        worker.process.join(1)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join(5)
        worker.process.close()

    def _respawn(self) -> None:
        if len(self._workers) < self.count and time.monotonic() >= self._next_start:
            self.start()

    def add_extra(self) -> None:
        """One worker beyond ``count``, for small drops while a long one is suspended; it goes after its
        task.
        """
        self._workers.append(_Worker(self.setup, next(self._numbers)))

    @property
    def size(self) -> int:
        return len(self._workers)

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


def remove_stderr_files(folder: Path) -> None:
    """Captured output of workers of an earlier life."""
    for path in folder.glob("worker-*.stderr"):
        path.unlink(missing_ok=True)
