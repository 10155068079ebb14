"""Looks at incoming/: one ``lstat`` per entry, nothing opened, links never followed."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

from daemon.core.names import is_ignored
from daemon.ingest.grouping import FileFact

MAX_DEPTH = 16


@dataclass(slots=True)
class Listing:
    """What one look found. ``unreadable``: folders that could not be listed, with the reason."""

    facts: list[FileFact] = field(default_factory=list)
    ignored: list[FileFact] = field(default_factory=list)  # files only
    folders: int = 0
    linked_folders: list[str] = field(default_factory=list)
    unreadable: dict[str, OSError] = field(default_factory=dict)


def fact_of(path: str, status: os.stat_result, loose: bool = False) -> FileFact:
    """``loose``: leave out inode and change time, which some file systems make up anew at every look."""
    regular = stat.S_ISREG(status.st_mode)
    changed, inode = (0, 0) if loose else (status.st_ctime_ns, status.st_ino)
    return FileFact(path, status.st_size, status.st_mtime_ns, changed, inode, regular)


def look(root: Path, ignore: tuple[str, ...], below: str = "", loose: bool = False) -> Listing:
    """Everything under ``root/below``, ignored names apart. OSError when the start cannot be listed."""
    listing = Listing()
    pending = [(below, 0)]
    while pending:
        folder, depth = pending.pop()
        try:
            with os.scandir(root / folder if folder else root) as entries:
                _list_folder(listing, folder, depth, list(entries), ignore, pending, loose)
        except OSError as error:
            if folder == below:
                raise
            if not isinstance(error, FileNotFoundError):
                listing.unreadable[folder] = error
    return listing


def _list_folder(
    listing: Listing,
    folder: str,
    depth: int,
    entries: list[os.DirEntry[str]],
    ignore: tuple[str, ...],
    pending: list[tuple[str, int]],
    loose: bool,
) -> None:
    listing.folders += 1
    for entry in entries:
        path = f"{folder}/{entry.name}" if folder else entry.name
        try:
            status = entry.stat(follow_symlinks=False)
        except OSError:
            continue  # gone between listing and looking
        if is_ignored(entry.name, ignore):
            if stat.S_ISREG(status.st_mode):
                listing.ignored.append(fact_of(path, status, loose))
        elif stat.S_ISDIR(status.st_mode):
            if depth < MAX_DEPTH:
                pending.append((path, depth + 1))
        elif stat.S_ISLNK(status.st_mode) and os.path.isdir(entry.path):
            listing.linked_folders.append(path)
        else:
            listing.facts.append(fact_of(path, status, loose))
