"""The incoming folder as the service sees it: full looks, and looks around one path that an event named."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from config.settings import Arrival
from daemon.core.names import is_ignored
from daemon.ingest.grouping import MARKER, Candidate, FileFact, Kind, group, owner
from daemon.ingest.scan import Listing, fact_of, look


@dataclass(slots=True)
class Incoming:
    root: Path
    settings: Arrival
    split: set[str] = field(default_factory=set)  # folders found to be no stems
    marked: set[str] = field(default_factory=set)  # folders with a stems marker, as of the last full look
    folders: int = 0
    loose: bool = False  # inodes and change times mean nothing here

    def full(self) -> tuple[list[Candidate], Listing]:
        """Everything. Raises OSError when the folder cannot be listed."""
        listing = look(self.root, self.settings.ignore, loose=self.loose)
        self.folders = listing.folders
        self.marked = {
            f.path.rpartition("/")[0] for f in listing.facts if f.path.rpartition("/")[2].casefold() == MARKER
        }
        return self._group(listing.facts, listing.ignored), listing

    def relative(self, path: str) -> str | None:
        """Path below incoming/ with forward slashes; None for what lies elsewhere or is ignored."""
        inside = os.path.relpath(path, self.root)
        if inside.startswith("..") or inside == ".":
            return None
        parts = inside.split(os.sep)
        return None if any(is_ignored(part, self.settings.ignore) for part in parts) else "/".join(parts)

    def unit_of(self, path: str) -> str:
        """The folder that must be looked at as a whole because of ``path``, or ``path`` itself."""
        if folder := owner(path, self.marked):
            return folder
        parent = path.rpartition("/")[0]
        return parent if parent.count("/") == 1 else path

    def around(self, unit: str) -> list[Candidate]:
        """Candidates at and below ``unit``; empty when it is gone. Raises OSError when it cannot be read."""
        full = self.root / unit
        try:
            status = os.lstat(full)
            if full.is_dir() and not full.is_symlink():
                listing = look(self.root, self.settings.ignore, below=unit, loose=self.loose)
                return self._group(listing.facts, listing.ignored)
        except (FileNotFoundError, NotADirectoryError):
            return []
        return self._group([fact_of(unit, status, self.loose)])

    def refresh(self, candidate: Candidate) -> Candidate | None:
        """The same drop as it is now; None when it is gone (or has become something else)."""
        if candidate.kind is Kind.FILE:
            return self._find(candidate.key, self._lone(candidate.key))
        return self._find(candidate.key, self.around(candidate.key))

    def _lone(self, key: str) -> list[Candidate]:
        try:
            fact = fact_of(key, os.lstat(self.root / key), self.loose)
        except (FileNotFoundError, NotADirectoryError):
            return []
        return self._group([fact])

    @staticmethod
    def _find(key: str, candidates: Iterable[Candidate]) -> Candidate | None:
        return next((candidate for candidate in candidates if candidate.key == key), None)

    def _group(self, facts: list[FileFact], ignored: Iterable[FileFact] = ()) -> list[Candidate]:
        return group(facts, self.settings.extensions, self.split, self.marked, ignored)
