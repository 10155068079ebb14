"""What the page server may show: the board, the outputs in ready folders, the pages of rejected drops.

No other file, no listing, no link to somewhere else, no private or hidden name.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from daemon.core.names import BOARD_FILE

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
    ".mid": "audio/midi",
    ".dawproject": "application/zip",
    ".aaf": "application/octet-stream",
    ".wav": "audio/wav",
    ".flac": "audio/flac",
}
ODD = re.compile(r'[\\:\x00-\x1f"<>|?*]')


@dataclass(frozen=True, slots=True)
class Shown:
    """What may be seen: the ready folder, and the rejected one under the address that the board gives it."""

    ready: Path
    rejected: Path | None = None

    @classmethod
    def of(cls, ready: Path, rejected: Path | None = None) -> Shown:
        return cls(ready.resolve(), rejected.resolve() if rejected else None)

    def find(self, target: str) -> Path | None:
        """The file that a request target names; None for everything that is not ours to show.

        Allowed are the board, FOLDER/FILE and FOLDER/stems/FILE with a known ending, and the pages of
        rejected drops.
        """
        parts = _parts(target)
        if parts is None:
            return None
        return self._found(parts) or self._from_rejected(parts)

    def _from_rejected(self, parts: list[str]) -> Path | None:
        """What the page of a rejected drop links to: the ready folder under its own name."""
        way = _way(self.ready, self.rejected) if self.rejected else []
        return self._found(parts[len(way) :]) if way and parts[: len(way)] == way else None

    def _found(self, parts: list[str]) -> Path | None:
        rejection = self._rejection(parts)
        if rejection is not None:
            return rejection
        deep = len(parts) > 3 or (len(parts) == 3 and parts[1] != "stems")
        if deep or (len(parts) == 1 and parts[0] != BOARD_FILE):
            return None
        path = _real(self.ready.joinpath(*parts))
        if path is not None and path.suffix.lower() == ".txt" and not _is_card(path):
            return None
        return path

    def _rejection(self, parts: list[str]) -> Path | None:
        if self.rejected is None or len(parts) < 2 or parts[-1] != "rejected.html":
            return None
        way = _way(self.rejected, self.ready)
        return _real(self.rejected / parts[-2] / parts[-1]) if parts[:-2] == way else None


def _way(there: Path, here: Path) -> list[str]:
    """The names that a browser asks a server for on the relative way from one folder to another."""
    return [part for part in os.path.relpath(there, here).split(os.sep) if part not in ("..", ".")]


def _parts(target: str) -> list[str] | None:
    """The names along the way; None when one of them is hidden, empty or odd."""
    if not target.startswith("/"):
        return None
    try:
        parts = unquote(re.split("[?#]", target)[0], errors="strict").split("/")[1:]
    except UnicodeDecodeError:
        return None
    if parts == [""]:
        return [BOARD_FILE]
    return None if any(not p or p.startswith(".") or ODD.search(p) for p in parts) else parts


def _real(path: Path) -> Path | None:
    if path.suffix.lower() not in TYPES:
        return None
    try:
        return path if path.resolve(strict=True) == path else None  # a link on the way resolves elsewhere
    except (OSError, ValueError):
        return None


def _is_card(path: Path) -> bool:
    return path.with_name(f"{path.stem}.report.json").is_file()
