"""A lost, damaged or outdated ledger is made again from what the ready and rejected folders say."""

from __future__ import annotations

import os
import sqlite3
import time
from pathlib import Path

from daemon.core.errors import MachineError
from daemon.core.text import count
from daemon.ledger.ledger import Ledger
from daemon.ledger.visible import Visible


def open_or_rebuild(path: Path, ready: Path, rejected: Path) -> tuple[Ledger, str | None]:
    """The ledger, and a sentence when it had to be made again or lacked what the folders show."""
    remark, lost = None, "the ledger had lost rows" if path.exists() else "there was no ledger"
    try:
        ledger = Ledger.open(path)
    except sqlite3.OperationalError as error:
        raise MachineError(
            str(path), f"the ledger cannot be opened ({error})", "check the state folder"
        ) from error
    except sqlite3.DatabaseError as error:
        remark = f"the ledger was damaged ({error}) and is kept as {_set_aside(path)}"
        ledger = Ledger.open(path)
    found = Visible(ledger, {"ready": ready, "rejected": rejected}).look()
    if found:
        results = count(found, "result was", "results were")
        remark = f"{remark or lost}; {results} read back from the folders"
    return ledger, remark


def _set_aside(path: Path) -> str:
    aside = path.with_name(f"{path.name}.damaged-{int(time.time())}")
    for suffix in ("", "-journal", "-wal", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            os.replace(part, aside.with_name(aside.name + suffix))
    return aside.name
