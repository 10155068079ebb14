"""When is a drop complete? A state machine without files, clocks or threads.

The caller reports what it sees (``see``, ``vanish``, ``see_all``) with a monotonic time in seconds and acts
on what comes back. Events are hints and never enter here: only looks at the folder do.

    new or changed --> ARRIVING --quiet, and it opens--> WAITING --start--> RUNNING --finish--> done
                          ^                                 |                  |
                          +------ changed ------------------+------------------+

* quiet: the same stat_digest in at least two looks that are ``settle_s`` apart, or renamed into place;
* how it grew is remembered: what paused for long may pause for as long again (``patience``);
* nothing is ever given up: an endless writer stays ARRIVING, a failed drop waits for its next try;
* a done drop is remembered by stat_digest, so the same file is never taken twice.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from heapq import nsmallest
from operator import attrgetter

from daemon.ingest.grouping import Candidate
from daemon.ingest.pending import FOLDERS, PendingDrop, Phase, looks_renamed, note_growth

FOLDER_SETTLES = 3
"""A folder must be quiet for so many settling times: its files come one after the other, with pauses."""
PAUSES = 3
"""A drop that went on after a pause is waited for so many times as long, if nothing proves it whole."""
LONGEST_WAIT_S = 600.0
RESUMED_S = 120.0
"""A drop that changes so soon after it was done was not whole, and had paused."""
TURN = attrgetter("turn", "key")


class DropState(StrEnum):
    """Is a drop that is being worked on still what it was at the start?"""

    UNCHANGED = "unchanged"
    CHANGED = "changed"  # other content now: throw the result away, it is done again once quiet
    WITHDRAWN = "withdrawn"  # the producer took it away


class Arrivals:
    """All drops that are not done, and the stat digests of those that are."""

    def __init__(self, settle_s: float) -> None:
        self.settle_s = settle_s
        self.entries: dict[str, PendingDrop] = {}
        self.done: dict[str, bytes] = {}
        self.front: list[str] = []  # keys that somebody waits for, the first to start first
        self.held: set[str] = set()  # keys that start only when they are brought to the front
        self._done_at: dict[str, float] = {}

    def see(self, candidate: Candidate, now: float, begun: bool = False) -> None:
        """One look at one candidate. ``begun``: its beginning was there before this look at its length."""
        if self.done.get(candidate.key) == candidate.stat_digest:
            return
        was_done = self.done.pop(candidate.key, None) is not None
        entry = self.entries.get(candidate.key)
        if entry is None:
            entry = PendingDrop(candidate, Phase.ARRIVING, now, now, renamed=looks_renamed(candidate))
            paused_s = now - self._done_at.pop(candidate.key, -RESUMED_S)
            if was_done and paused_s < RESUMED_S:
                entry.longest_pause_s = paused_s
            self.entries[candidate.key] = entry
        elif entry.candidate.stat_digest == candidate.stat_digest:
            entry.looks += 1
            entry.withdrawn = False
        else:
            note_growth(entry, candidate, now)
            entry.becomes(candidate)
            entry.changed_at, entry.looks = now, 1
            entry.not_before, entry.why, entry.withdrawn = 0.0, "", False
            entry.moved = entry.renamed = False
            if entry.phase is Phase.WAITING:
                entry.phase = Phase.ARRIVING
        entry.begun |= begun

    def moved_in(self, key: str) -> None:
        """It was renamed into place (told after the look that found it): nobody copies it there."""
        entry = self.entries.get(key)
        if entry is not None and entry.phase is Phase.ARRIVING:
            entry.moved = True

    def vanish(self, key: str) -> None:
        """A look that did not find it."""
        self.done.pop(key, None)
        self._done_at.pop(key, None)
        entry = self.entries.get(key)
        if entry is None:
            return
        if entry.phase is Phase.RUNNING:
            entry.withdrawn = True
        else:
            del self.entries[key]

    def see_all(self, candidates: Iterable[Candidate], now: float, unreadable: Iterable[str] = ()) -> None:
        """A full look. What is missing has gone, unless it lies in a folder that could not be listed."""
        present = set()
        for candidate in candidates:
            present.add(candidate.key)
            self.see(candidate, now)
        hidden = tuple(f"{folder}/" for folder in unreadable)
        for key in [*self.entries, *self.done]:
            if key not in present and not (hidden and f"{key}/".startswith(hidden)):
                self.vanish(key)

    def quiet(self, now: float) -> list[PendingDrop]:
        """Arriving drops that have not changed for the settling time."""
        return [
            entry
            for entry in self.entries.values()
            if entry.phase is Phase.ARRIVING
            and (
                entry.moved
                or entry.renamed
                or (entry.looks >= 2 and now - entry.changed_at >= self.settle_for(entry))
            )
            and now >= entry.not_before
        ]

    def due_for_a_look(self, now: float) -> list[PendingDrop]:
        """Arriving drops about which the next look can tell something: it is ``settle_s`` after the last
        change.
        """
        return [
            entry
            for entry in self.entries.values()
            if entry.phase is Phase.ARRIVING
            and now >= max(entry.changed_at + self.settle_for(entry), entry.not_before)
        ]

    def settle_for(self, entry: PendingDrop) -> float:
        """How long this drop must be quiet, in seconds. Nothing but time proves a folder whole."""
        if entry.candidate.kind not in FOLDERS:
            return self.settle_s
        return self.patience(entry, self.settle_s * FOLDER_SETTLES)

    def patience(self, entry: PendingDrop, least_s: float) -> float:
        """How long to wait for more of this drop, in seconds, by the pauses it has made so far."""
        return max(least_s, min(PAUSES * entry.longest_pause_s, LONGEST_WAIT_S))

    def hold(self, key: str, why: str, until: float) -> None:
        """Not yet (somebody has it open, no permission, no space): look again at ``until``."""
        entry = self.entries[key]
        entry.why, entry.not_before = why, until

    def bring_forward(self, key: str) -> None:
        """Before all others from now on, also if it has not arrived yet."""
        self.release(key)
        self.front.insert(0, key)

    def set_aside(self, key: str) -> None:
        """Not to be started until it is brought forward."""
        self.release(key)
        self.held.add(key)

    def release(self, key: str) -> None:
        """No longer of special rank."""
        self.held.discard(key)
        if key in self.front:
            self.front.remove(key)

    def enqueue(self, key: str) -> None:
        entry = self.entries[key]
        entry.phase, entry.why, entry.not_before = Phase.WAITING, "", 0.0

    def remember(self, key: str, stat_digest: bytes) -> None:
        """Done in an earlier life (from the ledger): not to be taken again while it stays as it is."""
        self.done[key] = stat_digest

    def awaited(self, now: float) -> PendingDrop | None:
        """The first that was brought forward and may be started now."""
        brought = (self.entries[key] for key in self.front if key in self.entries)
        return next((entry for entry in brought if _may_start(entry, now)), None)

    def next_waiting(self, now: float, below_bytes: int | None = None) -> PendingDrop | None:
        """The drop to start now: one that was brought forward, else the smallest, age counted in its favour.
        ``below_bytes``: only smaller ones, apart from those that were brought forward.
        """
        ready = (
            entry
            for entry in self.entries.values()
            if _may_start(entry, now)
            and entry.key not in self.held
            and (below_bytes is None or entry.size < below_bytes)
        )
        return self.awaited(now) or min(ready, key=TURN, default=None)

    def first(self, count: int, entries: Iterable[PendingDrop]) -> list[PendingDrop]:
        """So many of them as they are to be started; held ones last."""
        rank = {key: number for number, key in enumerate(self.front)}
        return nsmallest(
            count, entries, lambda e: (e.key in self.held, rank.get(e.key, len(rank)), e.turn, e.key)
        )

    def start(self, key: str) -> None:
        entry = self.entries[key]
        entry.phase, entry.started, entry.withdrawn = Phase.RUNNING, entry.candidate, False

    def state_of(self, key: str) -> DropState:
        """Is the work still about what lies in the folder? (After a fresh look.)"""
        entry = self.entries[key]
        if entry.withdrawn:
            return DropState.WITHDRAWN
        started = entry.started or entry.candidate
        same = started.stat_digest == entry.candidate.stat_digest
        return DropState.UNCHANGED if same else DropState.CHANGED

    def finish(self, key: str, now: float = -RESUMED_S) -> None:
        """The result stands; the drop is done as it was when the work on it started."""
        entry = self.entries.pop(key)
        self.release(key)
        self.done[key], self._done_at[key] = (entry.started or entry.candidate).stat_digest, now

    def put_back(self, key: str, why: str = "", until: float = 0.0) -> None:
        """Not done after all: changed ones settle again, withdrawn ones go, the rest waits ``until`` then."""
        match self.state_of(key):
            case DropState.WITHDRAWN:
                del self.entries[key]
            case DropState.CHANGED:
                entry = self.entries[key]
                entry.phase, entry.started = Phase.ARRIVING, None
            case DropState.UNCHANGED:
                entry = self.entries[key]
                entry.phase, entry.started, entry.why, entry.not_before = Phase.WAITING, None, why, until

    def stuck(self, now: float, patience_s: float) -> bool:
        """Nothing is left but what somebody holds and what has been arriving for longer than that."""
        return all(
            (entry.phase is Phase.WAITING and entry.key in self.held)
            or (entry.phase is Phase.ARRIVING and (entry.why or now - entry.first_seen > patience_s))
            for entry in self.entries.values()
        )

    def in_phase(self, phase: Phase) -> list[PendingDrop]:
        return [entry for entry in self.entries.values() if entry.phase is phase]


def _may_start(entry: PendingDrop, now: float) -> bool:
    return entry.phase is Phase.WAITING and now >= entry.not_before
