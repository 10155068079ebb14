"""What the service says about itself: a JSON file for monitoring and for ``status``.

``health.json`` in the state folder is replaced as a whole at every heartbeat. A reader that finds
``heartbeat`` older than a minute must take the service for dead, whatever else the file says.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

from daemon.core.atomic import atomic_write

STALE_S = 60.0


def heartbeat_path(state: Path) -> Path:
    return state / "health.json"


def write_heartbeat(state: Path, facts: dict[str, Any]) -> None:
    """Replace the file; not durable on purpose (a heartbeat that outlives a power cut would be a lie)."""
    shown = {"heartbeat": time.time(), **facts}
    atomic_write(heartbeat_path(state), json.dumps(shown, indent=1).encode(), durable=False)


def read_heartbeat(state: Path) -> dict[str, Any] | None:
    """The last heartbeat; None when there is none that can be read."""
    try:
        facts = json.loads(heartbeat_path(state).read_bytes())
    except (OSError, ValueError):
        return None
    return facts if isinstance(facts, dict) else None
