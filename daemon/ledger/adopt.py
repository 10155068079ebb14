"""Earlier versions kept the state of all studios in one folder: each studio takes over what is its own.

The old folder is only read, so every studio that shared it finds its part there.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing, suppress
from pathlib import Path

from config.places import common_state, state_of
from config.settings import Folders
from daemon.core.atomic import discard
from daemon.core.studio import incoming_key
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.ledger.visible import Visible

COPIED = ("corrections", "wishes", "digests", "paused")


def adopt_common_state(folders: Folders, earlier: Path | None = None) -> bool:
    """Make the studio's own state folder from the common one. False when there is nothing to take over."""
    earlier = earlier or common_state()
    state = folders.state
    if state != state_of(folders.incoming) or state.exists() or not ledger_path(earlier).exists():
        return False
    state.parent.mkdir(parents=True, exist_ok=True)
    private = Path(tempfile.mkdtemp(prefix=".taking-over-", dir=state.parent))
    try:
        if not _take_ledger(folders, earlier, private):
            return False
        for name in COPIED:
            source = earlier / name
            if source.is_dir():
                shutil.copytree(source, private / name)
            elif source.exists():
                shutil.copy2(source, private / name)
        private.chmod(0o755)
        with suppress(OSError):  # another command was quicker
            os.rename(private, state)
        return True
    finally:
        discard(private)


def _take_ledger(folders: Folders, earlier: Path, private: Path) -> bool:
    """Copy the ledger and leave out what other studios did. False when this studio never used it."""
    with suppress(sqlite3.Error), closing(Ledger.read_only(ledger_path(earlier))) as old:
        old.copy_to(ledger_path(private))
    try:
        ledger = Ledger.open(ledger_path(private))
    except sqlite3.Error:
        return False  # damaged: the folders say what is known
    with closing(ledger):
        visible = Visible(ledger, {"ready": folders.ready, "rejected": folders.rejected})
        visible.look()
        records = ledger.history(limit=1_000_000)
        ours = {record.sha256 for record in records if visible.holds(record)}
        me, users = incoming_key(folders.incoming), {path.name for path in earlier.glob("service-*.lock")}
        if users != {f"service-{me}.lock"}:  # not this studio alone
            ledger.forget(*(record.sha256 for record in records if record.sha256 not in ours))
    return bool(ours) or f"service-{me}.lock" in users
