"""What the service says about itself: a JSON file for monitoring and for ``status``.

``health.json`` in the state folder is replaced as a whole at every heartbeat. A reader that finds
``heartbeat`` older than a minute must take the service for dead, whatever else the file says. While the state
folder is full or read-only, a spare file outside it (in memory, where the system has such a place) says so.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from daemon.core.atomic import atomic_write

STALE_S = 60.0
LEAST_BYTES = 64 * 1024


def heartbeat_path(state: Path) -> Path:
    return state / "health.json"


def write_heartbeat(state: Path, facts: dict[str, Any]) -> None:
    """Replace the file; not durable on purpose (a heartbeat that outlives a power cut would be a lie)."""
    shown = {"heartbeat": time.time(), **facts}
    atomic_write(heartbeat_path(state), json.dumps(shown, indent=1).encode(), durable=False)


def write_spare(state: Path, facts: dict[str, Any]) -> None:
    """When the health file cannot be written. Removed by ``drop_spare``."""
    atomic_write(spare_path(state), json.dumps({"heartbeat": time.time(), **facts}).encode(), durable=False)


def drop_spare(state: Path) -> None:
    with suppress(OSError):
        spare_path(state).unlink(missing_ok=True)


def spare_path(state: Path) -> Path:
    """Where this account may write although the state folder is full."""
    place = os.environ.get("XDG_RUNTIME_DIR") or next(
        (folder for folder in ("/dev/shm", tempfile.gettempdir()) if os.access(folder, os.W_OK)), "/"
    )
    key = hashlib.sha256(os.fsencode(state.resolve())).hexdigest()[:16]
    return Path(place) / f"beatintake-health-{key}.json"


def read_heartbeat(state: Path) -> dict[str, Any] | None:
    """The last heartbeat; None when there is none that can be read."""
    found = [_read(heartbeat_path(state))]
    with suppress(OSError):
        if spare_path(state).lstat().st_uid == state.stat().st_uid:  # nobody else's
            found.append(_read(spare_path(state)))
    return max((facts for facts in found if facts), key=lambda facts: facts.get("heartbeat", 0), default=None)


def state_trouble(state: Path) -> str | None:
    """Why nothing can be written into the state folder, as far as its file system tells; None when it can."""
    try:
        system = os.statvfs(state)
    except (OSError, AttributeError):
        return None
    if system.f_flag & os.ST_RDONLY:
        return f"{state} is read-only: the service can keep no record; make it writable"
    if system.f_bavail * system.f_frsize < LEAST_BYTES or (system.f_files and not system.f_favail):
        return f"{state}: no space left, the service can keep no record; free some space"
    return None


def _read(path: Path) -> dict[str, Any] | None:
    try:
        facts = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    return facts if isinstance(facts, dict) else None
