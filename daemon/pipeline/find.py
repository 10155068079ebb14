"""Which ready beat is meant: by its folder, or by any name under which the producer delivered it.

So a beat is found by its own name also where an older version gave its folder another one.
"""

from __future__ import annotations

import os
import sqlite3
from collections import defaultdict
from contextlib import closing
from pathlib import Path, PurePath

from config.settings import Folders
from daemon.core.atomic import machine_error
from daemon.core.lookup import the_one
from daemon.ledger.ledger import Ledger, ledger_path


def find_ready(folders: Folders, name: str) -> Path:
    """The ready folder that `name` can only mean. Raises WrongRequest."""
    try:
        with os.scandir(folders.ready) as entries:
            there = [e.name for e in entries if e.is_dir(follow_symlinks=False) and e.name[0] != "."]
    except OSError as error:
        raise machine_error(error, folders.ready) from error
    wanted = PurePath(name).name or name  # a path that the shell completed
    others = delivered_names(folders.state, "ready")
    names = {folder: others.get(folder, set()) for folder in there}
    return folders.ready / the_one(wanted, names, "ready beat", "look at the board or the ready folder")


def delivered_names(state: Path, outcome: str) -> dict[str, set[str]]:
    """By folder: the names of the drops that it was made from, with and without ending."""
    names: dict[str, set[str]] = defaultdict(set)
    path = ledger_path(state)
    if not path.exists():
        return names
    try:
        with closing(Ledger.read_only(path)) as ledger:
            folder_of = {}
            for record in ledger.history(limit=1_000_000, outcome=outcome):
                folder_of[record.sha256] = record.folder
                names[record.folder] |= _both(record.name)
            for place, _, sha256 in ledger.drops():
                if sha256 in folder_of:
                    names[folder_of[sha256]] |= _both(PurePath(place).name)
    except sqlite3.Error:
        return names
    return names


def _both(name: str) -> set[str]:
    return {name, PurePath(name).stem}
