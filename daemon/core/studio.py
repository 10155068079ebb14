"""Whose state folder this is, and whether the output folders are those of last time.

``studio.json`` in the state folder names the folders that the state belongs to: two studios must not share
one. Each output folder carries a mark of its own, which the state remembers: where a disk or share is not
mounted, or another one is, the mark is missing or another, and nothing is written there.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from pathlib import Path
from typing import Any

from config.settings import Folders
from daemon.core.atomic import atomic_write, machine_error
from daemon.core.errors import ConfigError, FolderUnreachable

STUDIO_FILE = "studio.json"
MARK_FILE = ".studio"
OUTPUTS = ("ready", "rejected")


def incoming_key(incoming: Path) -> str:
    """Names the locks of an incoming folder."""
    return hashlib.sha256(os.fsencode(incoming.resolve())).hexdigest()[:16]


def refuse_shared(folders: Folders) -> None:
    """Raises ConfigError when the state folder belongs to another studio."""
    known = _read(folders.state / STUDIO_FILE)
    for name in ("incoming", "ready"):
        theirs, ours = known.get(name), os.fspath(getattr(folders, name).resolve())
        if isinstance(theirs, str) and theirs != ours and os.path.isdir(theirs):
            cause = (
                f"{folders.state} belongs to the studio with folders.{name} {theirs}, not {ours}; "
                "two studios must not share one"
            )
            help_ = (
                "give this studio a folders.state of its own; "
                f"if the folder has moved, remove {folders.state / STUDIO_FILE}"
            )
            raise ConfigError("folders.state", [cause], help_)


def claim(folders: Folders) -> None:
    """Note whose state this is, and mark the output folders, which must be there. Raises MachineError."""
    known = _read(folders.state / STUDIO_FILE)
    facts: dict[str, Any] = {
        name: os.fspath(getattr(folders, name).resolve()) for name in ("incoming", *OUTPUTS)
    }
    facts["marks"] = {}
    for name in OUTPUTS:
        folder: Path = getattr(folders, name)
        try:
            facts["marks"][name] = {"id": _mark(folder) or _make_mark(folder), "place": _place(folder)}
        except OSError as error:
            raise machine_error(error, folder) from error
    if facts != known:
        try:
            atomic_write(folders.state / STUDIO_FILE, json.dumps(facts, indent=1).encode())
        except OSError as error:
            raise machine_error(error, folders.state) from error


def other_outputs(folders: Folders) -> str | None:
    """A sentence when an output folder is not the one of last time, else None (also when none is known)."""
    known = _read(folders.state / STUDIO_FILE)
    for name in OUTPUTS:
        folder: Path = getattr(folders, name)
        if known.get(name) != os.fspath(folder.resolve()):
            continue
        before = known.get("marks", {}).get(name, {})
        found = _mark(folder)
        if found == before.get("id") or (found is None and _place(folder) == before.get("place")):
            continue  # the same, or emptied by a person
        what = "is not the folder of last time" if found else "is on another file system than last time"
        return (
            f"folders.{name}: {folder} {what} (is its disk or share not mounted?); work waits until it is "
            f"back. To begin anew there, remove {folders.state / STUDIO_FILE} and restart"
        )
    return None


def require_outputs(folders: Folders) -> None:
    """Raises FolderUnreachable when a disk or share is away: then no drop is to blame for anything."""
    if text := other_outputs(folders):
        raise FolderUnreachable("outputs", text)


def _read(path: Path) -> dict[str, Any]:
    try:
        facts = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return facts if isinstance(facts, dict) else {}


def _mark(folder: Path) -> str | None:
    mark = _read(folder / MARK_FILE).get("id")
    return mark if isinstance(mark, str) else None


def _make_mark(folder: Path) -> str:
    text = "beatintake knows by this file that its results belong into this folder"
    mark = secrets.token_hex(8)
    atomic_write(folder / MARK_FILE, json.dumps({"id": mark, "about": text}).encode())
    return mark


def _place(folder: Path) -> list[Any]:
    """Mount point and number of the file system that holds the folder (or would, were it made now)."""
    where = next(path for path in (folder.resolve(), *folder.resolve().parents) if path.exists())
    number = os.statvfs(where).f_fsid if hasattr(os, "statvfs") else 0
    return [next(str(path) for path in (where, *where.parents) if os.path.ismount(path)), number]
