"""A lost or damaged ledger is made again from what the ready and rejected folders say themselves."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from daemon.core.errors import MachineError
from daemon.ledger.ledger import Ledger, Record
from daemon.ledger.rejection import RECORD_FILE

PATTERNS = {"ready": "*.report.json", "rejected": RECORD_FILE}


def open_or_rebuild(path: Path, ready: Path, rejected: Path) -> tuple[Ledger, str | None]:
    """The ledger, and a sentence when it had to be made again."""
    fresh, remark = not path.exists(), None
    try:
        ledger = Ledger.open(path)
    except sqlite3.OperationalError as error:
        raise MachineError(
            str(path), f"the ledger cannot be opened ({error})", "check the state folder"
        ) from error
    except sqlite3.DatabaseError as error:
        remark = f"the ledger was damaged ({error}) and is kept as {_set_aside(path)}"
        ledger, fresh = Ledger.open(path), True
    if fresh:
        count = rebuild(ledger, ready, rejected)
        if count or remark:
            remark = f"{remark or 'there was no ledger'}; {count} results were read back from the folders"
    return ledger, remark


def _set_aside(path: Path) -> str:
    aside = path.with_name(f"{path.name}.damaged-{int(time.time())}")
    for suffix in ("", "-wal", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            os.replace(part, aside.with_name(aside.name + suffix))
    return aside.name


def rebuild(ledger: Ledger, ready: Path, rejected: Path) -> int:
    """Read the contents back from the reports on disk. Returns how many were found."""
    found = [*_reports(ready, "ready"), *_reports(rejected, "rejected")]
    ledger.put_all(found)
    return len(found)


def _reports(root: Path, outcome: str) -> Iterator[Record]:
    if not root.is_dir():
        return
    for folder in sorted(root.iterdir()):
        if not folder.name.startswith("."):
            record = report_of(folder, outcome)
            if record is not None:
                yield record


def report_of(folder: Path, outcome: str) -> Record | None:
    """The record that a published folder's own report amounts to; None when it holds no whole report."""
    for report in sorted(folder.glob(PATTERNS[outcome])):
        try:
            data = json.loads(report.read_bytes())
            drop = data["drop"]
            return Record(
                sha256=str(drop["sha256"]),
                outcome=outcome,
                folder=folder.name,
                name=str(drop["name"]),
                producer=drop.get("producer"),
                reason=data.get("reason"),
                summary=_summary(data),
                at=report.stat().st_mtime,
            )
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
    return None


def _summary(data: dict[str, Any]) -> dict[str, Any]:
    """The few values that status and digest show, as far as the report has them."""
    answers = data.get("answers") or {}
    ears = data.get("check_by_ear") or []
    return {
        "tempo_bpm": (answers.get("tempo") or {}).get("value"),
        "key": (answers.get("key") or {}).get("value"),
        "needs_ears": len(ears),
        "check_by_ear": list(ears[:3]),
    }
