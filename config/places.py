"""Where this account's studios keep their state."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

import platformdirs


def common_state() -> Path:
    """The user state folder of the system, for all studios of this account."""
    return Path(platformdirs.user_state_path("beatintake"))


def guards_path() -> Path:
    """Where the services of this account see which incoming folders are taken."""
    return common_state() / "guards"


def state_of(incoming: Path) -> Path:
    """Where a studio keeps its state unless told otherwise: each incoming folder has its own."""
    where = incoming.resolve()
    name = re.sub(r"[^a-z0-9]+", "-", where.parent.name.lower()).strip("-")[:40] or "studio"
    return common_state() / "studios" / f"{name}-{hashlib.sha256(os.fsencode(where)).hexdigest()[:8]}"
