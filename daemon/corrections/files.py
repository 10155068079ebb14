"""Where people leave corrections beside a report. Light: the service's main loop looks for them."""

from __future__ import annotations

import time
from pathlib import Path

CORRECTION_FILE = "correction.yaml"


def pending_corrections(ready: Path, quiet_s: float = 1.0) -> list[Path]:
    """Ready folders in which somebody left a correction file and has not touched it for a moment."""
    found = []
    for path in ready.glob(f"[!.]*/{CORRECTION_FILE}"):
        try:
            if abs(time.time() - path.stat().st_mtime) >= quiet_s:
                found.append(path.parent)
        except OSError:
            continue
    return sorted(found)
