"""Which correction files were refused and why, kept in the state folder by the service.

The note beside the report cannot always be written (a read-only folder, something else of its name), so this
is what keeps a bad file from being tried for ever, and what `status` shows.
"""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from daemon.core.atomic import atomic_write
from daemon.corrections.files import CORRECTION_FILE, REASON_FILE, REFUSED_FILE, Pending

FILE = "correction files.json"


@dataclass(frozen=True, slots=True)
class Refusal:
    """`mark`: see `files`. An empty reason: applied, but the file could not be put away."""

    mark: str
    reason: str
    at: float  # seconds since the epoch


@dataclass(slots=True)
class Refusals:
    """By folder name. What cannot be written is remembered as long as the service lives."""

    state: Path
    ready: Path
    known: dict[str, Refusal] = field(default_factory=dict)

    @classmethod
    def load(cls, state: Path, ready: Path) -> Refusals:
        """Empty when there are none, or none that can be read."""
        try:
            data = json.loads((state / FILE).read_bytes())
            known = {str(name): Refusal(**entry) for name, entry in data.items()}
        except (OSError, ValueError, TypeError, AttributeError, RecursionError):
            known = {}
        return cls(state, ready, known)

    def settled(self, pending: Pending) -> bool:
        """Was this very file dealt with?"""
        refusal = self.known.get(pending.folder.name)
        return refusal is not None and refusal.mark == pending.mark

    def settle(self, pending: Pending, reason: str) -> None:
        """An empty reason: it was applied."""
        there = os.path.lexists(pending.folder / CORRECTION_FILE)
        before = dict(self.known)
        if reason or there:
            self.known[pending.folder.name] = Refusal(pending.mark, reason, time.time())
        else:
            self.known.pop(pending.folder.name, None)
        if self.known != before:
            self._write()

    def current(self) -> dict[str, Refusal]:
        """Those that nobody has tidied up yet: the file or its note is still there."""
        names = (CORRECTION_FILE, REFUSED_FILE, REASON_FILE)
        return {
            name: refusal
            for name, refusal in self.known.items()
            if refusal.reason and any(os.path.lexists(self.ready / name / file) for file in names)
        }

    def _write(self) -> None:
        self.known = {name: entry for name, entry in self.known.items() if (self.ready / name).is_dir()}
        text = json.dumps({name: asdict(entry) for name, entry in self.known.items()}, indent=1)
        with suppress(OSError):
            atomic_write(self.state / FILE, text.encode())
