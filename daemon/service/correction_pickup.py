"""Looks for correction files that people leave beside a report, and lets a worker apply them.

Drops come first: while some wait, corrections get at most a fifth of a worker's time. Every file gets its
turn: one that was refused is remembered (`refusals`) and left alone until somebody touches it, one that the
machine stood in the way of waits longer each time.
"""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass, field

from config.settings import Settings
from daemon.core.errors import InternalError
from daemon.core.logs import note
from daemon.corrections.files import Pending, pending_corrections
from daemon.corrections.refusals import Refusals
from daemon.workers.pool import Died, Done, Failed, Task, WorkerEvent, WorkerPool

log = logging.getLogger("beatintake.corrections")
FUNCTION = "daemon.pipeline.correct:correct_from_file"
TASK = "correction"
PERIOD_S = 3.0
SHARE = 200  # of the time, one part at most goes into looking: on a slow share it is looked less often
WORK_SHARE = 4  # while drops wait: so many times what a correction took passes before the next one
LATER_S, LONGEST_S = 15.0, 3600.0
MOST_TRIES = 2  # of a file whose worker was lost


@dataclass(slots=True)
class Setback:
    mark: str
    until: float
    count: int


@dataclass(slots=True)
class CorrectionPickup:
    settings: Settings
    pool: WorkerPool
    current: Pending | None = None
    next_look: float = 0.0
    begun: float = 0.0
    give_way_until: float = 0.0  # while drops wait
    setbacks: dict[str, Setback] = field(default_factory=dict)  # by folder name
    refusals: Refusals = field(init=False)

    def __post_init__(self) -> None:
        self.refusals = Refusals.load(self.settings.folders.state, self.settings.folders.ready)

    @property
    def busy(self) -> bool:
        return self.current is not None

    def step(self, now: float, drops_wait: bool = False) -> None:
        """Look when it is due and a worker is free; one file at a time."""
        due = self.next_look if not drops_wait else max(self.next_look, self.give_way_until)
        if self.busy or now < due or not self.pool.idle:
            return
        begin = time.monotonic()
        found = [file for file in pending_corrections(self.settings.folders.ready) if self._due(file, now)]
        self.next_look = now + max(PERIOD_S, SHARE * (time.monotonic() - begin))
        if found:
            self.current, self.begun = min(found, key=self._tries), now
            limit = self.settings.limits.job_timeout_seconds
            self.pool.submit(Task(TASK, FUNCTION, (self.settings, self.current.folder), limit))

    def _due(self, file: Pending, now: float) -> bool:
        if self.refusals.settled(file):
            return False
        setback = self.setbacks.get(file.folder.name)
        return setback is None or setback.mark != file.mark or now >= setback.until

    def _tries(self, file: Pending) -> int:
        setback = self.setbacks.get(file.folder.name)
        return setback.count if setback else 0

    def handle(self, event: WorkerEvent) -> None:
        """The end of it. The function itself says in the folder what was wrong with a file."""
        file = self.current
        if event.task_id != TASK or file is None or not isinstance(event, Done | Failed | Died):
            return
        now, self.current = time.monotonic(), None
        self.next_look, self.give_way_until = now, now + WORK_SHARE * (now - self.begun)
        match event:
            case Done(value=outcome) if outcome.kind == "later":
                self._later(file, outcome.text, now)
            case Done(value=outcome) if outcome.kind == "refused":
                self._refused(file, outcome.text)
            case Done(value=outcome):
                self._settle(file, "")
                note(log, logging.INFO, "correction file", result=outcome.text)
            case Failed(error=error) if not isinstance(error, InternalError):
                self._later(file, str(error), now)
            case Failed(error=InternalError() as error, detail=detail):
                self._lost(file, str(error), detail, now)
            case Died(reason=reason, detail=detail):
                self._lost(file, reason, detail, now)

    def _refused(self, file: Pending, reason: str) -> None:
        self._settle(file, reason)
        note(log, logging.WARNING, "correction file refused", folder=file.folder.name, reason=reason)

    def _settle(self, file: Pending, reason: str) -> None:
        self.setbacks.pop(file.folder.name, None)
        self.refusals.settle(file, reason)

    def _later(self, file: Pending, reason: str, now: float) -> None:
        """The machine is in the way."""
        before = self.setbacks.get(file.folder.name)
        count = before.count + 1 if before and before.mark == file.mark else 1
        pause = min(LATER_S * 2.0 ** (count - 1), LONGEST_S)
        self.setbacks[file.folder.name] = Setback(file.mark, now + pause, count)
        if count == 1:
            note(log, logging.WARNING, "correction file waits", folder=file.folder.name, reason=reason)

    def _lost(self, file: Pending, reason: str, detail: str, now: float) -> None:
        """The worker was lost with it: it may have been the file."""
        note(log, logging.ERROR, "correction file", folder=file.folder.name, reason=reason, detail=detail)
        self._later(file, reason, now)
        if self.setbacks[file.folder.name].count >= MOST_TRIES:
            self._refused(file, f"it could not be applied: {reason}")
