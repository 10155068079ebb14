"""The whole service in this process, with tasks run on the spot: for tests of decisions, not of processes."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import wait
from typing import Any

import pytest

from config.settings import Settings
from daemon.core.errors import BeatintakeError, InternalError
from daemon.core.folders import make_folders
from daemon.service import board_refresh, entry, lock, service
from daemon.workers.pool import Died, Done, Failed, Stage, Task, WorkerEvent, WorkerPool
from daemon.workers.process import Setup, resolve
from tests.daemon import fake_jobs
from tests.daemon.service_kit import PATIENCE_S


class InlinePool(WorkerPool):
    """Runs a task when it is submitted (or when ``let`` is called, while ``hold`` is set); events at
    ``poll``.
    """

    def __init__(self, count: int, setup: Setup) -> None:
        super().__init__(count, setup)
        self.events: list[WorkerEvent] = []
        self.held: list[Task] = []
        self.hold = False
        self.calls: list[str] = []

    def start(self) -> None:
        return None

    def stop(self) -> None:
        self.held.clear()

    @property
    def idle(self) -> int:
        return max(0, self.count - len(self.held))

    @property
    def running(self) -> list[str]:
        return [task.id for task in self.held]

    def submit(self, task: Task) -> None:
        self.calls.append(task.arguments[0] if task.stages else task.function)
        if self.hold and task.stages:
            self.held.append(task)
        else:
            self._run(task)

    def let(self) -> None:
        """Run what was held."""
        held, self.held = self.held, []
        for task in held:
            self._run(task)

    def _run(self, task: Task) -> None:
        def on_stage(name: str) -> None:
            self.events.append(Stage(task.id, name))

        try:
            more = (on_stage,) if task.stages else ()
            self.events.append(Done(task.id, resolve(task.function)(*task.arguments, *more)))
        except fake_jobs.Death as death:
            self.events.append(Died(task.id, str(death)))
        except BeatintakeError as error:
            self.events.append(Failed(task.id, error))
        except Exception as error:
            self.events.append(Failed(task.id, InternalError("analysis", repr(error))))

    def poll(self, timeout_s: float, wake: Any = ()) -> list[WorkerEvent]:
        if not self.events:
            wait([*wake], timeout_s)
        events, self.events = self.events, []
        return events


class InlineService(service.Service):
    """A service that a test drives turn by turn."""

    pool: InlinePool

    def until(
        self, condition: Callable[[], Any], what: str = "a condition", timeout_s: float = PATIENCE_S
    ) -> Any:
        """Turn until the condition holds; AssertionError when it never does."""
        limit = time.monotonic() + timeout_s
        while time.monotonic() < limit:
            if found := condition():
                return found
            self._turn()
        raise AssertionError(f"waited in vain for {what}")

    def turn(self, seconds: float) -> None:
        """Go on for a while."""
        limit = time.monotonic() + seconds
        while time.monotonic() < limit:
            self._turn()

    def _timeout(self) -> float:
        return min(0.05, super()._timeout())

    def settled(self) -> bool:
        return not self.arrivals.entries and not self.dispatcher.active


Opener = Callable[..., InlineService]
"""What the fixture ``service`` gives: called with sections of the configuration."""


@contextlib.contextmanager
def opened(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, pool: type[InlinePool] = InlinePool
) -> Iterator[InlineService]:
    """An InlineService with lock, ledger and watcher; closed at the end."""
    monkeypatch.setattr(entry, "WorkerPool", pool)
    monkeypatch.setattr(service, "RUN", "tests.daemon.fake_jobs:obedient")
    monkeypatch.setattr(board_refresh, "FUNCTION", "tests.daemon.fake_jobs:board")
    monkeypatch.setattr(lock, "LEASE_DEAD_S", 1.0)
    monkeypatch.setattr(fake_jobs, "INLINE", True)
    make_folders(settings)
    with entry.Gate(settings) as gate:
        one = InlineService(settings, gate)
        one.lock.take_lease()
        try:
            one._open()
            one.state = "running"
            yield one
        finally:
            one._shut()
