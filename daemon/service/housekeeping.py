"""What is tidied up and summed up on a schedule: leftovers, old rejections, the day's digest."""

from __future__ import annotations

import logging
import math
import os
import shutil
import time
from heapq import nlargest
from pathlib import Path

from config.settings import Settings
from daemon.core.atomic import STAGING, TEMP_PREFIX, atomic_write
from daemon.core.logs import note
from daemon.core.private import is_abandoned, is_in_use
from daemon.core.text import lines
from daemon.ledger.ledger import UNDERWAY, Ledger, Record
from daemon.ledger.rejection import RECORD_FILE, is_question
from daemon.service.lock import LEASE_NAME
from daemon.service.notification import sentence

log = logging.getLogger("beatintake.housekeeping")
DIGESTS_KEPT = 90
DAMAGED_KEPT = 3
MOST_RESULTS_SEARCHED = 200  # at the start
MOST_LEFTOVERS = 50  # whose maker is not known


def clear_leftovers(settings: Settings, prefix: str) -> int:
    """At start, with the lock held: what processes that have ended left behind, and every private folder of a
    service (``prefix``). Returns how many were removed.
    """
    found = [*_private_files(settings), *_left_in_results(settings)]
    return sum(
        _remove_if_older(path, math.inf)
        for path in found
        if path.name.startswith(prefix) or is_abandoned(path.name)
    )


def _left_in_results(settings: Settings) -> list[Path]:
    """Half-written files in the published folders that were changed last: a kill leaves them there."""
    folders = settings.folders
    results = [path for root in (folders.ready, folders.rejected) for path in _children(root)]
    newest = nlargest(MOST_RESULTS_SEARCHED, (p for p in results if p.name[0] != "."), key=_changed_at)
    return [path for folder in newest for path in _children(folder) if path.name.startswith(TEMP_PREFIX)]


def _private_files(settings: Settings) -> list[Path]:
    folders = settings.folders
    staged = [path for root in (folders.ready, folders.rejected) for path in _children(root / STAGING)]
    roots = (folders.ready, folders.rejected, folders.state, folders.state / UNDERWAY)
    beside = [path for root in roots for path in _children(root)]
    found = [path for path in staged if path.name != LEASE_NAME]
    return found + [path for path in beside if path.name.startswith(TEMP_PREFIX)]


def _sweep_private_files(settings: Settings, busy: set[str], now: float) -> int:
    """Those of dead processes; those past their time; and the oldest when there are too many."""
    left = [path for path in _private_files(settings) if path.name not in busy]
    gone = [path for path in left if is_abandoned(path.name)]
    unclear = sorted({*left} - {*gone}, key=_changed_at)
    limit = now - settings.retention.staging_hours * 3600
    removed = sum(_remove_if_older(path, math.inf) for path in gone)
    for number, path in enumerate(unclear):
        too_many = number < len(unclear) - MOST_LEFTOVERS and not is_in_use(path.name)
        removed += _remove_if_older(path, math.inf if too_many else limit)
    return removed


def _changed_at(path: Path) -> float:
    try:
        return os.lstat(path).st_mtime
    except OSError:
        return 0.0


def sweep(settings: Settings, busy: set[str], now: float | None = None) -> int:
    """Remove stale private files and rejections past their time. ``busy``: staging folders in use."""
    now = time.time() if now is None else now
    removed = _sweep_private_files(settings, busy, now)
    for rejection in _children(settings.folders.rejected):
        if (rejection / RECORD_FILE).is_file() and not is_question(rejection):  # nothing that is not ours
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
