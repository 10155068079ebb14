"""What the service says about itself: a JSON file for monitoring and for ``status``.

``health.json`` in the state folder is replaced as a whole at every heartbeat. A reader that finds
``heartbeat`` older than a minute must take the service for dead, whatever else the file says.
"""

from __future__ import annotations

import json
import logging
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.logs import note
from daemon.publish import atomic_write

log = logging.getLogger("beatintake.health")
STALE_S = 60.0


def health_path(state: Path) -> Path:
    return state / "health.json"


@dataclass(slots=True)
class Problem:
    text: str
    since: float
    count: int = 1


@dataclass(slots=True)
class Problems:
    """Conditions that last. Logged when they begin, when their text changes, and when they end."""

    current: dict[str, Problem] = field(default_factory=dict)

    def raise_(self, name: str, text: str) -> None:
        known = self.current.get(name)
        if known is not None and known.text == text:
            known.count += 1
            return
        self.current[name] = Problem(text, known.since if known else time.time())
        note(log, logging.WARNING, "problem", problem=name, text=text)

    def clear(self, name: str) -> None:
        known = self.current.pop(name, None)
        if known is not None:
            note(log, logging.INFO, "problem over", problem=name, text=known.text, met=known.count)

    def texts(self) -> dict[str, str]:
        return {name: problem.text for name, problem in self.current.items()}


def write_health(state: Path, facts: dict[str, Any]) -> None:
    """Replace the file; not durable on purpose (a heartbeat that outlives a power cut would be a lie)."""
    shown = {"heartbeat": time.time(), **facts}
    atomic_write(health_path(state), json.dumps(shown, indent=1).encode(), durable=False)


def read_health(state: Path) -> dict[str, Any] | None:
    """The last heartbeat; None when there is none that can be read."""
    try:
        facts = json.loads(health_path(state).read_bytes())
    except (OSError, ValueError):
        return None
    return facts if isinstance(facts, dict) else None
