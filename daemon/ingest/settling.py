"""Between the folder and the arrivals: turns hints into looks, and quiet drops into waiting ones."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterable
from dataclasses import dataclass, field

from daemon.core.logs import note
from daemon.core.problems import Problems
from daemon.ingest.arrivals import Arrivals, PendingDrop
from daemon.ingest.completeness import Access, access
from daemon.ingest.grouping import MARKER, Candidate
from daemon.ingest.incoming import Incoming

log = logging.getLogger("beatintake.settling")
HELD_OPEN_S = 600.0
"""A program that keeps a finished file open for writing (some do) blocks it no longer than this."""
PATIENCE_S = 30.0
"""A file that looks incomplete and does not grow is taken after this, or ten settling times."""
RETRY_DENIED_S = 10.0


@dataclass(slots=True)
class Settling:
    incoming: Incoming
    arrivals: Arrivals
    problems: Problems
    next_relook: float = 0.0
    linked_noted: set[str] = field(default_factory=set)

    @property
    def relook_s(self) -> float:
        return min(1.0, max(0.05, self.arrivals.settle_s / 4))

    def scan(self, now: float) -> bool:
        """A full look. False when the folder cannot be reached: then nothing is concluded from it."""
        try:
            candidates, listing = self.incoming.full()
        except OSError as error:
            self.problems.raise_("incoming", f"{self.incoming.root}: cannot be listed ({error.strerror})")
            return False
        self.problems.clear("incoming")
        self.arrivals.see_all(candidates, now, listing.unreadable)
        if listing.unreadable:
            folder, reason = next(iter(listing.unreadable.items()))
            text = f"{len(listing.unreadable)} folders cannot be listed, e.g. {folder} ({reason.strerror})"
            self.problems.raise_("unreadable folders", text)
        else:
            self.problems.clear("unreadable folders")
        for folder in set(listing.linked_folders) - self.linked_noted:
            note(log, logging.WARNING, "a link to a folder is not followed", folder=folder)
        self.linked_noted = set(listing.linked_folders)
        return True

    def hints(self, paths: set[str], now: float) -> None:
        """Look around every path that an event named."""
        inside = {relative for path in paths if (relative := self.incoming.relative(path))}
        if any(path.rpartition("/")[2].casefold() == MARKER for path in inside):
            self.scan(now)  # it may have changed what a whole folder is
        for unit in {self.incoming.unit_of(path) for path in inside}:
            self._look_around(unit, now)

    def relook(self, now: float) -> None:
        """Look at everything that is arriving, a few times within the settling time."""
        if now < self.next_relook:
            return
        self.next_relook = now + self.relook_s
        for entry in self.arrivals.due_for_a_look(now):
            self._look_around(entry.key, now)

    def _look_around(self, unit: str, now: float) -> None:
        try:
            found = self.incoming.around(unit)
        except OSError as error:
            note(log, logging.DEBUG, "cannot look", path=unit, error=error)
            return
        keys = {candidate.key for candidate in found}
        for candidate in found:
            self.arrivals.see(candidate, now)
        if unit not in keys:
            self.arrivals.vanish(unit)
        if not (self.incoming.root / unit).is_file():  # a folder, or what was one
            for key in [k for k in (*self.arrivals.entries, *self.arrivals.done) if k.startswith(f"{unit}/")]:
                if key not in keys:
                    self.arrivals.vanish(key)

    def look_again(self, candidate: Candidate, now: float) -> None:
        """One look at one drop that is being worked on."""
        try:
            fresh = self.incoming.refresh(candidate)
        except OSError as error:
            note(log, logging.WARNING, "cannot look at the drop", drop=candidate.key, error=error)
            return
        if fresh is not None:
            self.arrivals.see(fresh, now)
        elif self.incoming.root.is_dir():  # a share that is away has not taken the drop away
            self.arrivals.vanish(candidate.key)

    def vanished(self, paths: Iterable[str]) -> list[str]:
        """Those of the paths that lie no more in the folder (none while it cannot be reached)."""
        if not self.incoming.root.is_dir():
            return []
        return [path for path in paths if not os.path.lexists(self.incoming.root / path)]

    def settle(self, now: float) -> None:
        """Ask about every quiet drop whether it may be taken."""
        for entry in self.arrivals.quiet(now):
            answer = access(self.incoming.root, entry.candidate)
            if answer in (Access.FREE, Access.UNKNOWN) or self._patience_is_over(entry, answer, now):
                self.arrivals.enqueue(entry.key)
                note(log, logging.INFO, "settled", drop=entry.key, bytes=entry.candidate.size)
            elif answer is Access.GONE:
                self.arrivals.vanish(entry.key)
            else:
                pause = RETRY_DENIED_S if answer is Access.DENIED else self.relook_s
                if entry.why != answer:
                    note(log, logging.INFO, "not taken yet", drop=entry.key, reason=answer.value)
                self.arrivals.hold(entry.key, answer.value, now + pause)

    def _patience_is_over(self, entry: PendingDrop, answer: Access, now: float) -> bool:
        waited = now - entry.changed_at
        if answer is Access.WRITER:
            return waited >= max(HELD_OPEN_S, self.arrivals.settle_s)
        return answer is Access.SUSPECT and waited >= max(PATIENCE_S, 10 * self.arrivals.settle_s)
