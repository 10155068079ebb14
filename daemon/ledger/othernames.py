"""The same bytes under another name: one result, and every name that it was delivered under."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from contextlib import closing
from pathlib import Path, PurePosixPath

from daemon.core.text import file_name, one_line
from daemon.ledger.ledger import Ledger

MOST_NAMES = 20


def other_names(ledger: Ledger) -> dict[str, tuple[str, ...]]:
    """By SHA-256: names, after the folder of another producer where it is one, besides the result's own."""
    found: dict[str, list[str]] = defaultdict(list)
    packs = {path for path, _, _ in ledger.packs()}
    for path, sha256, name, producer in ledger.deliveries():
        place = PurePosixPath(path)
        if pack := next((above for above in place.parents if str(above) in packs), None):
            place = pack.parent / place.name  # the pack is no producer
        shown = file_name(path)
        owner = one_line(str(place.parent)) if len(place.parts) > 1 and not place.is_absolute() else None
        elsewhere = owner is not None and owner != producer
        if (shown != name or elsewhere) and len(found[sha256]) < MOST_NAMES:
            found[sha256].append(f"{owner}/{shown}" if elsewhere else shown)
    return {sha256: tuple(sorted(set(names))) for sha256, names in found.items() if names}


def read_other_names(path: Path) -> dict[str, tuple[str, ...]]:
    """The same from the ledger at `path`; nothing when there is none that can be read."""
    if not path.exists():
        return {}
    try:
        with closing(Ledger.read_only(path)) as ledger:
            return other_names(ledger)
    except sqlite3.Error:
        return {}
