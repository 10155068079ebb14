"""Between the folder and the arrivals: turns hints into looks, and quiet drops into waiting ones."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from daemon.core.logs import note
from daemon.core.oserrors import plainly
from daemon.core.problems import Problems
from daemon.core.text import count
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.completeness import Access, access, is_begun
from daemon.ingest.grouping import MARKERS, Candidate, Kind
from daemon.ingest.incoming import Incoming
from daemon.ingest.pending import PendingDrop

log = logging.getLogger("beatintake.settling")
HELD_OPEN_S = 600.0
"""A program that keeps a finished file open for writing (some do) blocks it no longer than this."""
PATIENCE_S = 30.0
"""A file that looks incomplete and does not grow is taken after this, or ten settling times."""
UNPROVEN_SETTLES = 5
"""What may be whole, but does not prove it, must be quiet for so many settling times."""
RETRY_DENIED_S = 10.0
PASSING = (Access.ZEROS, Access.OPEN_END)  # only a matter of time


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
            self.problems.raise_("incoming", f"{self.incoming.root}: cannot be listed ({plainly(error)})")
            return False
        self.problems.clear("incoming")
        self.arrivals.see_all(candidates, now, listing.unreadable)
        if listing.unreadable:
            folder, reason = next(iter(listing.unreadable.items()))
            folders = count(len(listing.unreadable), "folder")
            text = f"{folders} cannot be listed, e.g. {folder} ({plainly(reason)})"
            self.problems.raise_("unreadable folders", text)
        else:
            self.problems.clear("unreadable folders")
        for folder in set(listing.linked_folders) - self.linked_noted:
            note(log, logging.WARNING, "a link to a folder is not followed", folder=folder)
        self.linked_noted = set(listing.linked_folders)
        return True

    def hints(self, paths: Mapping[str, str | None], now: float) -> None:
        """Look around every path that an event named (with where it was renamed from, if it was)."""
        named = [(self.incoming.relative(path), source) for path, source in paths.items()]
        inside = {path: source for path, source in named if path and not self.incoming.is_linked(path)}
        if any(path.rpartition("/")[2].casefold() in MARKERS for path in inside):
            self.scan(now)  # it may have changed what a whole folder is
        for unit in {self.incoming.unit_of(path) for path in inside}:
            self._look_around(unit, now)
        for path, source in inside.items():
            if source is not None and self._came_whole(path, source):
                self.arrivals.moved_in(path)

    def _came_whole(self, path: str, source: str) -> bool:
        """Was it moved here from outside, or from a partial name, and does nothing more belong to it?

        In a folder more may follow that makes all of it stems, unless beats of that folder are done already.
        """
        if source and self.incoming.relative(source) is not None:
            return False  # a beat got another name
        folder = path.rpartition("/")[0]
        entry = self.arrivals.entries.get(path)
        if not folder or (entry is not None and entry.candidate.kind is not Kind.FILE):
            return True
        return any(done.startswith(f"{folder}/") for done in self.arrivals.done)

    def relook(self, now: float) -> None:
        """Look at everything that is arriving, a few times within the settling time."""
        if now < self.next_relook:
            return
        self.next_relook = now + self.relook_s
        for entry in self.arrivals.due_for_a_look(now):
            self._look_around(entry.key, now)

    def _look_around(self, unit: str, now: float) -> None:
        begun = self._begun(unit)
        try:
            found = self.incoming.around(unit)
        except OSError as error:
            note(log, logging.DEBUG, "cannot look", path=unit, error=error)
            return
        keys = {candidate.key for candidate in found}
        for candidate in found:
            self.arrivals.see(candidate, now, candidate.key in begun)
        if unit not in keys:
            self.arrivals.vanish(unit)
        if not (self.incoming.root / unit).is_file():  # a folder, or what was one
            for key in [k for k in (*self.arrivals.entries, *self.arrivals.done) if k.startswith(f"{unit}/")]:
                if key not in keys:
                    self.arrivals.vanish(key)

    def _begun(self, unit: str) -> set[str]:
        """Files at and below it whose beginning is written, of those not known to be; asked before a look."""
        entries, keys = self.arrivals.entries, [unit]
        if (self.incoming.root / unit).is_dir():
            keys = [key for key in entries if key.startswith(f"{unit}/")]
        fresh = [key for key in keys if key not in entries or not entries[key].begun]
        return {key for key in fresh if is_begun(self.incoming.root / key)}

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
        return [
            path for path in paths if not os.path.lexists(self.incoming.root / self.incoming.place_of(path))
        ]

    def settle(self, now: float) -> None:
        """Ask about every quiet drop whether it may be taken."""
        for entry in self.arrivals.quiet(now):
            answer = access(self.incoming.root, entry.candidate)
            if answer is Access.GONE:
                self.arrivals.vanish(entry.key)
            elif answer is Access.FREE or self._waited_enough(entry, answer, now):
                self.arrivals.enqueue(entry.key)
                note(log, logging.INFO, "settled", drop=entry.key, bytes=entry.candidate.size)
            else:
                entry.renamed = False  # no proof after all
                pause = RETRY_DENIED_S if answer is Access.DENIED else self.relook_s
                why = "" if answer in PASSING else answer.value
                if entry.why != why:
                    note(log, logging.INFO, "not taken yet", drop=entry.key, reason=answer.value)
                self.arrivals.hold(entry.key, why, now + pause)

    def _waited_enough(self, entry: PendingDrop, answer: Access, now: float) -> bool:
        if answer is Access.DENIED:
            return False
        return now - entry.changed_at >= self._patience_s(entry, answer)

    def _patience_s(self, entry: PendingDrop, answer: Access) -> float:
        """How long a drop that gives this answer must be quiet. What was moved in is whole unless it says
        no.
        """
        settle_s = self.arrivals.settle_s
        if answer is Access.WRITER:
            return max(HELD_OPEN_S, settle_s)
        if answer is not Access.SUSPECT and (entry.moved or (answer is Access.ZEROS and entry.appending)):
            return 0.0  # who appends wrote the zeros, too
        if answer is Access.OPEN_END or (answer is Access.ZEROS and not entry.filling):
            return self.arrivals.patience(entry, UNPROVEN_SETTLES * settle_s)
        return self.arrivals.patience(entry, max(PATIENCE_S, 10 * settle_s))
