"""Keeps the board up to date: asks a worker to write it anew after results, not more often than it is
worth. With ten thousand drops on it that takes a second; it then waits so long that no more than a
fortieth of a worker's time goes into it while there is other work.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass

from config.settings import Settings
from daemon.core.logs import note
from daemon.workers.pool import Died, Failed, Task, WorkerEvent, WorkerPool

log = logging.getLogger("beatintake.board")
FUNCTION = "daemon.report.board:rebuild_board"
TASK = "board"
PERIOD_S = 5.0  # from the beginning of one to that of the next, at least ...
TIMES, LONGEST_S = 40.0, 60.0  # ... and so many times what the last one took, at most so long
TIMEOUT_S = 300.0


@dataclass(slots=True)
class BoardRefresh:
    settings: Settings
    pool: WorkerPool
    wanted: bool = True  # at start: folders may have come or gone meanwhile
    running: bool = False
    ended: bool = False  # since the last step
    began: float = 0.0
    known: int = 0
    not_before: float = 0.0

    @property
    def busy(self) -> bool:
        return self.wanted or self.running

    def step(self, now: float, hurry: bool = False, known: int = 0) -> None:
        """Start when it is wanted, a worker is free, and it is due (or nothing else is to do: ``hurry``).

        ``known``: how many drops were the same bytes again; one more is another name to be shown.
        """
        self.wanted, self.known = self.wanted or known != self.known, known
        if self.ended:
            wait = min(TIMES * (now - self.began), LONGEST_S)
            self.ended, self.not_before = False, self.began + max(wait, PERIOD_S)
        if self.wanted and not self.running and (hurry or now >= self.not_before) and self.pool.idle:
            self.wanted, self.running, self.began = False, True, now
            self.pool.submit(Task(TASK, FUNCTION, (self.settings,), TIMEOUT_S))

    def handle(self, event: WorkerEvent) -> None:
        """The end of it. A failure is only logged: the next result tries again."""
        if event.task_id != TASK:
            return
        self.running, self.ended = False, True
        match event:
            case Failed(error=error, detail=detail):
                note(log, logging.ERROR, "the board was not written", reason=error, detail=detail or None)
            case Died(reason=reason):
                note(log, logging.ERROR, "the board was not written", reason=reason)
