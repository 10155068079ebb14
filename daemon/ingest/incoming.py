"""The incoming folder as the service sees it: full looks, and looks around one path that an event named."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from config.settings import Arrival
from daemon.core.names import is_ignored
from daemon.ingest.grouping import (
    BEATS_MARKER,
    DOUBTED,
    MARKER,
    Candidate,
    FileFact,
    Kind,
    ZipPack,
    folders_with,
    group,
    owner,
)
from daemon.ingest.scan import Listing, fact_of, look
from daemon.ledger.ledger import Record


@dataclass(slots=True)
class Incoming:
    root: Path
    settings: Arrival
    split: set[str] = field(default_factory=set)  # folders found to hold separate beats
    packs: dict[str, ZipPack] = field(default_factory=dict)  # zips found to hold separate beats
    mixes: dict[str, dict[str, list[str]]] = field(
        default_factory=dict
    )  # of packs: member -> its other mixes
    doubted: set[str] = field(default_factory=set)  # folders once split because a file was incomplete
    marked: set[str] = field(default_factory=set)  # folders with a stems marker, as of the last full look
    apart: set[str] = field(default_factory=set)  # folders with a beats marker, as of the last full look
    folders: int = 0
    loose: bool = False  # inodes and change times mean nothing here

    def full(self) -> tuple[list[Candidate], Listing]:
        """Everything. Raises OSError when the folder cannot be listed."""
        listing = look(self.root, self.settings.ignore, loose=self.loose)
        self.folders = listing.folders
        self.apart = folders_with(BEATS_MARKER, listing.facts)
        self.marked = folders_with(MARKER, listing.facts) - self.apart
        return self._group(listing.facts, listing.ignored), listing

    def relative(self, path: str) -> str | None:
        """Path below incoming/ with forward slashes; None for what lies elsewhere or is ignored."""
        inside = os.path.relpath(path, self.root)
        if inside.startswith("..") or inside == ".":
            return None
        parts = inside.split(os.sep)
        return None if any(is_ignored(part, self.settings.ignore) for part in parts) else "/".join(parts)

    def is_linked(self, path: str) -> bool:
        """Does a folder on the way to it lead elsewhere? What lies behind a link is nobody's drop."""
        return any((self.root / folder).is_symlink() for folder in PurePosixPath(path).parents)

    def unit_of(self, path: str) -> str:
        """The folder that must be looked at as a whole because of ``path``, or ``path`` itself."""
        if folder := owner(path, self.marked, self.split | self.apart):
            return folder
        parent = path.rpartition("/")[0]
        return parent if parent.count("/") == 1 else path

    def around(self, unit: str) -> list[Candidate]:
        """Candidates at and below ``unit``; empty when it is gone. Raises OSError when it cannot be read."""
        unit = self.place_of(unit)
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
        if candidate.kind in (Kind.FILE, Kind.MEMBER):
            return self._find(candidate.key, self._lone(self.place_of(candidate.key)))
        return self._find(candidate.key, self.around(candidate.key))

    def undivided(self, folder: str) -> Candidate | None:
        """A split folder as one drop; None when it is gone or a marker says otherwise. Raises OSError."""
        return self._find(folder, replace(self, split=self.split - {folder}).around(folder))

    def place_of(self, key: str) -> str:
        """The zip that a drop lies in, or the drop's own path."""
        return next((zipped for zipped in self.packs if key.startswith(f"{zipped}/")), key)

    def recall(
        self, drops: Iterable[tuple[str, bytes, str | None]], packs: Iterable[tuple[str, bytes, Record]]
    ) -> None:
        """Which folders and zips were split, or doubted, in an earlier life, by the ledger's rows."""
        for key, stat_digest, sha256 in drops:
            if stat_digest == DOUBTED:
                self.doubted.add(key)
            elif sha256 is None:
                self.split.add(key)
        for key, stat_digest, pack in packs:
            if stat_digest != DOUBTED:
                self.know(key, stat_digest, pack.summary["mixes"])

    def know(self, key: str, stat_digest: bytes, mixes: dict[str, list[str]]) -> None:
        """From now on the files of this folder or zip are drops of their own."""
        self.mixes[key] = mixes
        self.doubted.discard(key)
        if (self.root / key).is_dir():
            self.split.add(key)
        else:
            self.packs[key] = ZipPack(stat_digest, tuple(mixes))

    def forget(self, key: str) -> None:
        """A folder or zip that is to be judged again."""
        self.split.discard(key)
        self.packs.pop(key, None)
        self.mixes.pop(key, None)

    def mixes_of(self, candidate: Candidate) -> list[str]:
        """Other files of its pack that are mixes of the same beat."""
        if candidate.pack is None:
            return []
        return self.mixes.get(candidate.pack, {}).get(candidate.key[len(candidate.pack) + 1 :], [])

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
        return group(
            facts, self.settings.extensions, self.split | self.apart, self.marked, ignored, self.packs
        )
