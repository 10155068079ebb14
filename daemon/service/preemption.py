"""Small drops overtake a long one, and what somebody waits for overtakes everything: the process of the drop
that is overtaken is halted while the others are analysed on an extra worker.

One analysis computes at a time, as configured, only another one. A long drop is halted for at most
``BUDGET_S`` in all, so a flood of small ones cannot keep it from ending.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.ingest.arrivals import Arrivals
from daemon.pipeline.steps import Step
from daemon.service.active_drop import ActiveDrop
from daemon.service.dispatcher import Dispatcher
from daemon.workers.pool import WorkerPool

LONG_S = 10.0
SMALL_SHARE = 4  # small: at most a quarter of the long drop's bytes
BUDGET_S = 600.0


@dataclass(slots=True)
class Preemption:
    dispatcher: Dispatcher
    arrivals: Arrivals
    pool: WorkerPool
    held: ActiveDrop | None = None
    since: float = 0.0
    spent: dict[str, float] = field(default_factory=dict)

    @property
    def below_bytes(self) -> int | None:
        """While a drop is halted only smaller ones than this, or those brought forward, may start."""
        return self.held.candidate.size // SMALL_SHARE if self.held else None

    def step(self, now: float, allowed: bool) -> None:
        """``allowed``: new work may start at all."""
        if self.held is None:
            if allowed:
                self._consider(now)
        elif (
            self.held.id not in self.dispatcher.active
            or self.held.key in self.arrivals.front
            or self._nothing_small(now, allowed)
        ):
            self._release(now)

    def _consider(self, now: float) -> None:
        if self.pool.idle or len(self.dispatcher.active) < self.pool.count:
            return
        awaited = self.arrivals.awaited(now) is not None
        left = [
            drop
            for drop in self.dispatcher.active.values()
            if drop.step is Step.RUN
            and drop.key not in self.arrivals.front
            and (awaited or (now - drop.begun >= LONG_S and self.spent.get(drop.id, 0.0) < BUDGET_S))
        ]
        longest = max(left, key=lambda drop: drop.candidate.size, default=None)
        if longest is None or self.arrivals.next_waiting(now, longest.candidate.size // SMALL_SHARE) is None:
            return
        self.held, self.since = longest, now
        self.pool.suspend(longest.id)
        self.pool.extra = 1

    def _nothing_small(self, now: float, allowed: bool) -> bool:
        assert self.held is not None
        if any(
            drop is not self.held and drop.begun >= self.since for drop in self.dispatcher.active.values()
        ):
            return False  # one is on the extra worker
        used = self.spent.get(self.held.id, 0.0) + now - self.since
        waiting = self.arrivals.next_waiting(now, self.below_bytes)
        return not allowed or waiting is None or used >= BUDGET_S

    def _release(self, now: float) -> None:
        assert self.held is not None
        self.spent = {key: s for key, s in self.spent.items() if key in self.dispatcher.active}
        self.spent[self.held.id] = self.spent.get(self.held.id, 0.0) + now - self.since
        self.held.halted_s = self.spent[self.held.id]
        self.pool.resume(self.held.id)
        self.pool.extra = 0
        self.held = None
