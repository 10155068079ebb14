"""What is tidied up and summed up on a schedule: leftovers, old rejections, the day's digest."""

from __future__ import annotations

import logging
import math
import os
import shutil
import time
from pathlib import Path

from config.settings import Settings
from daemon.core.atomic import STAGING, TEMP_PREFIX, atomic_write
from daemon.core.logs import note
from daemon.core.text import lines
from daemon.ledger.ledger import Ledger, Record
from daemon.ledger.rejection import RECORD_FILE
from daemon.service.lock import LEASE_NAME
from daemon.service.notification import sentence

log = logging.getLogger("beatintake.housekeeping")
DIGESTS_KEPT = 90
DAMAGED_KEPT = 3


def clear_staging(settings: Settings, prefix: str) -> int:
    """At start, with the lock held: what the last service left behind. Returns how many were removed."""
    removed = 0
    for root in (settings.folders.ready, settings.folders.rejected):
        for leftover in _children(root / STAGING):
            if leftover.name.startswith((prefix, TEMP_PREFIX)):
                removed += _remove_if_older(leftover, math.inf)
    return removed


def sweep(settings: Settings, busy: set[str], now: float | None = None) -> int:
    """Remove stale private files and rejections past their time. ``busy``: staging folders in use."""
    now = time.time() if now is None else now
    removed = 0
    for root in (settings.folders.ready, settings.folders.rejected):
        for leftover in _children(root / STAGING):
            if leftover.name not in busy and leftover.name != LEASE_NAME:
                removed += _remove_if_older(leftover, now - settings.retention.staging_hours * 3600)
    for folder in (settings.folders.ready, settings.folders.rejected, settings.folders.state):
        for leftover in _children(folder):
            if leftover.name.startswith(TEMP_PREFIX):
                removed += _remove_if_older(leftover, now - settings.retention.staging_hours * 3600)
    for rejection in _children(settings.folders.rejected):
        if (rejection / RECORD_FILE).is_file():  # nothing that is not ours
            removed += _remove_if_older(rejection, now - settings.retention.rejected_days * 86400)
    for pattern, keep in (("digests/*.txt", DIGESTS_KEPT), ("ledger.sqlite3.damaged-*", 3 * DAMAGED_KEPT)):
        for old in sorted(settings.folders.state.glob(pattern))[:-keep]:
            old.unlink(missing_ok=True)
    if removed:
        note(log, logging.INFO, "removed leftovers", count=removed)
    return removed


def _children(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _remove_if_older(path: Path, limit: float) -> int:
    try:
        if os.lstat(path).st_mtime > limit:
            return 0
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
    except OSError as error:
        note(log, logging.WARNING, "cannot remove", path=path, error=error)
        return 0
    return 1


def digest_text(ready: list[Record], rejected: list[Record], waiting: int, day: str) -> str:
    """The summary of a day, in plain words."""
    ears = [record for record in ready if record.summary.get("needs_ears")]
    rows = [f"beatintake, {day}: {len(ready)} ready, {len(rejected)} rejected, {waiting} waiting", ""]
    for heading, records in (
        ("Check by ear", ears),
        ("Ready", [record for record in ready if record not in ears]),
        ("Rejected", rejected),
    ):
        if records:
            rows += [heading, *(f"  {sentence(record)}" for record in records), ""]
    return "\n".join(rows)


def write_digest(settings: Settings, ledger: Ledger, waiting: int, now: float | None = None) -> Path:
    """Write the digest of the last 24 hours into the state folder. Returns the file."""
    now = time.time() if now is None else now
    day = time.strftime("%Y-%m-%d", time.localtime(now))
    done = ledger.history(limit=10_000, since=now - 86400)
    text = digest_text(
        [r for r in done if r.outcome == "ready"], [r for r in done if r.outcome == "rejected"], waiting, day
    )
    folder = settings.folders.state / "digests"
    folder.mkdir(parents=True, exist_ok=True)
    atomic_write(folder / f"{day}.txt", lines(text).encode())
    return folder / f"{day}.txt"
