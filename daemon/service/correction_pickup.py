"""Looks for correction files that people leave beside a report, and lets a worker apply them."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass

from config.settings import Settings
from daemon.core.logs import note
from daemon.corrections.files import pending_corrections
from daemon.workers.pool import Died, Done, Failed, Task, WorkerEvent, WorkerPool

log = logging.getLogger("beatintake.corrections")
FUNCTION = "daemon.pipeline.correct:correct_from_file"
TASK = "correction"
PERIOD_S = 3.0
SHARE = 200  # of the time, one part at most goes into looking: on a slow share it is looked less often


@dataclass(slots=True)
class CorrectionPickup:
    settings: Settings
    pool: WorkerPool
    running: bool = False
    next_look: float = 0.0

    @property
    def busy(self) -> bool:
        return self.running

    def step(self, now: float) -> None:
        """Look when it is due and a worker is free; one file at a time."""
        if self.running or now < self.next_look or not self.pool.idle:
            return
        begin = time.monotonic()
        found = pending_corrections(self.settings.folders.ready)
        self.next_look = now + max(PERIOD_S, SHARE * (time.monotonic() - begin))
        if found:
            self.running = True
            limit = self.settings.limits.job_timeout_seconds
            self.pool.submit(Task(TASK, FUNCTION, (self.settings, found[0]), limit))

    def handle(self, event: WorkerEvent) -> None:
        """The end of it. The function itself says in the folder what was wrong with a file."""
        if event.task_id != TASK:
            return
        match event:
            case Done(value=text):
                self.running, self.next_look = False, 0.0
                note(log, logging.INFO, "correction file", result=text)
            case Failed(error=error, detail=detail):
                self.running = False
                note(log, logging.ERROR, "correction file", reason=error, detail=detail or None)
            case Died(reason=reason):
                self.running = False
                note(log, logging.ERROR, "correction file", reason=reason)
