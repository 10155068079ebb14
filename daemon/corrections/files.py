"""Where people leave corrections beside a report. Light: the service's main loop looks for them.

A file is told apart by its mark: what changes when anybody touches it, or opens its folder for writing. So
one that was refused is left alone until somebody does something about it.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

CORRECTION_FILE = "correction.yaml"
APPLIED_FILE = "correction applied.yaml"
REFUSED_FILE = "correction refused.yaml"
REASON_FILE = "correction refused.txt"


@dataclass(frozen=True, slots=True)
class Pending:
    """A correction file (or whatever bears its name) that waits in a ready folder."""

    folder: Path
    mark: str


def pending_corrections(ready: Path, quiet_s: float = 1.0) -> list[Pending]:
    """What lies there and has not been touched for a moment, by folder name. Links are not followed."""
    try:
        with os.scandir(ready) as entries:
            names = [e.name for e in entries if e.name[0] != "." and e.is_dir(follow_symlinks=False)]
    except OSError:
        return []
    return [found for name in sorted(names) if (found := _pending(ready, name, quiet_s))]


def _pending(ready: Path, name: str, quiet_s: float) -> Pending | None:
    folder = os.path.join(ready, name)  # there may be ten thousand: no path object for each look at each
    try:
        facts = os.lstat(os.path.join(folder, CORRECTION_FILE))
        if abs(time.time() - facts.st_mtime) < quiet_s:
            return None
        within = os.lstat(folder).st_mode
    except OSError:
        return None
    marks = (facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, facts.st_mode, within)
    return Pending(Path(folder), "-".join(map(str, marks)))
