"""Corrections on disk: one small file in the state folder for each content hash.

Kept by content, so that a re-drop or a re-analysis of the same bytes finds them again. Each entry
also holds what had been measured: labelled data about this studio's own material.
The files outlive releases by the same rule as reports (`daemon.core.schemas`).
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from daemon.core.atomic import atomic_write, machine_error
from daemon.core.errors import MachineError
from daemon.core.schemas import other_major, same_major
from daemon.corrections.apply import Correction

SCHEMA_VERSION = "1.0"
FOLDER = "corrections"
HASH = re.compile(r"[0-9a-f]{64}")


class CorrectionEntry(BaseModel):
    """One correction as it was given, with the measurement it corrects."""

    model_config = ConfigDict(frozen=True)

    at: str  # ISO 8601
    correction: Correction  # complete: all that was set by hand at that time
    measured: dict[str, Any]  # question -> {"value", "confidence"}
    software: str
    file: str | None = None  # which correction file said so: met again, it is not applied twice


class History(BaseModel):
    """All entries of one content, oldest first; the last one is in force."""

    model_config = ConfigDict(frozen=True)

    schema_version: str = Field(SCHEMA_VERSION, pattern=same_major(SCHEMA_VERSION))
    sha256: str
    name: str
    entries: tuple[CorrectionEntry, ...] = ()


def stored_correction(state: Path, sha256: str) -> Correction | None:
    """The correction in force for this content; None when there is none."""
    entries = read_history(state, sha256).entries
    return entries[-1].correction if entries else None


def read_history(state: Path, sha256: str, name: str = "") -> History:
    """Empty when nothing was corrected. Raises MachineError: damaged, or of another major version."""
    path = _path(state, sha256)
    try:
        data = path.read_bytes()
        return History.model_validate_json(data, extra="ignore")
    except FileNotFoundError:
        return History(sha256=sha256, name=name)
    except OSError as error:
        raise machine_error(error, path) from error
    except ValidationError as error:
        if cause := other_major(data, SCHEMA_VERSION):
            raise MachineError(str(path), cause, "use the beatintake that wrote it") from error
        raise MachineError(
            str(path), "the stored correction is damaged", "remove the file and correct the drop again"
        ) from error


def add_correction(
    state: Path,
    sha256: str,
    name: str,
    correction: Correction,
    measured: dict[str, Any],
    software: str,
    file: str | None = None,
) -> History:
    """Put a correction in force. The same as the last one is not stored twice.

    ``measured``: question -> {"value", "confidence"}; ``software``: the version that measured it.
    """
    history = read_history(state, sha256, name)
    if history.entries and history.entries[-1].correction == correction:
        return history
    entry = CorrectionEntry(
        at=datetime.now(UTC).isoformat(timespec="seconds"),
        correction=correction,
        measured=measured,
        software=software,
        file=file,
    )
    return _write(state, history.model_copy(update={"entries": (*history.entries, entry)}))


def carry_over(state: Path, earlier: str, sha256: str) -> bool:
    """Put the corrections of an incomplete copy in force for the whole file, unless it has its own.

    True when there are any to keep.
    """
    before, now = read_history(state, earlier), read_history(state, sha256)
    if before.entries and not now.entries:
        _write(state, before.model_copy(update={"sha256": sha256}))
    return bool(before.entries)


def drop_last(state: Path, history: History) -> History:
    """Undo: the entry before the last is in force again."""
    return _write(state, history.model_copy(update={"entries": history.entries[:-1]}))


def all_histories(state: Path) -> list[History]:
    """Every readable history, by name; damaged files are left out."""
    found = []
    for path in sorted((state / FOLDER).glob("*.json")):
        try:
            found.append(History.model_validate_json(path.read_bytes(), extra="ignore"))
        except (OSError, ValidationError):
            continue
    return sorted((h for h in found if h.entries), key=lambda h: (h.name, h.sha256))


def _path(state: Path, sha256: str) -> Path:
    if not HASH.fullmatch(sha256):
        raise MachineError(sha256[:80], "not a content hash", "the report is damaged: process the drop again")
    return state / FOLDER / f"{sha256}.json"


def _write(state: Path, history: History) -> History:
    path = _path(state, history.sha256)
    try:
        if not history.entries:
            path.unlink(missing_ok=True)
            return history
        path.parent.mkdir(parents=True, exist_ok=True)
        atomic_write(
            path,
            json.dumps(
                {**history.model_dump(mode="json"), "schema_version": SCHEMA_VERSION}, indent=1
            ).encode(),
        )
    except OSError as error:
        raise machine_error(error, path) from error
    return history
