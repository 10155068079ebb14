"""Which content lies in which published folder, by the folders' own reports: what the ledger follows.

A ledger may open and yet have lost rows (an older copy was put back, its journal is gone, it has 0 bytes),
and people rename, copy and remove folders. So both roots are looked at whenever something came or went in
them, and what the reports say wins. Folders that are as they were at the last look (time stamp and inode)
are not read again: their names and marks lie in the ledger, too.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from daemon.core.atomic import machine_error
from daemon.core.names import EARS_KEPT
from daemon.core.regular import read_regular
from daemon.ledger.ledger import Ledger, Mark, Record
from daemon.ledger.marks import Place
from daemon.ledger.rejection import RECORD_FILE

PATTERNS = {"ready": "*.report.json", "rejected": RECORD_FILE}


@dataclass(slots=True)
class Visible:
    """Ask it before something is published. Raises MachineError while a root cannot be looked at."""

    ledger: Ledger
    roots: dict[str, Path]  # by outcome
    _stamps: dict[str, int | None] = field(default_factory=dict)
    _content: dict[Place, str] = field(default_factory=dict)
    _place: dict[str, Place] = field(default_factory=dict)

    def holds(self, record: Record) -> bool:
        """Is the record's folder there, and no other content's? (Without its report it counts, too.)"""
        self.look()
        if not record.folder:
            return False
        found = self._content.get((record.outcome, record.folder), record.sha256)
        return found == record.sha256 and (self.roots[record.outcome] / record.folder).is_dir()

    def find(self, sha256: str) -> Record | None:
        """What a published folder says about this content, or None. The ledger learns of it."""
        self.look()
        place = self._place.get(sha256)
        if place is None:
            return None
        known = self.ledger.find(sha256)
        if known is None:  # published by us, and the ledger could not be written since
            return report_of(self.roots[place[0]] / place[1], place[0])
        if (known.outcome, known.folder) == place:
            return known
        moved = replace(known, outcome=place[0], folder=place[1])
        self.ledger.put_all([moved])
        return moved

    def stamps(self) -> dict[str, int | None]:
        """When something last came to or went from each root; None: there is no such folder."""
        return {outcome: _stamp(root) for outcome, root in self.roots.items()}

    def look(self) -> int:
        """Look at the roots in which something came or went. Returns how many results the ledger lacked."""
        stamps = self.stamps()
        if stamps == self._stamps:
            return 0
        fresh = self._list()
        lacking = list(self._lacking())
        gone = [place for place in self.ledger.marks.places() if place not in self._content]
        self.ledger.follow(lacking, fresh, gone)
        self._stamps = stamps
        return len(lacking)

    def added(self, record: Record, before: dict[str, int | None]) -> None:
        """We have published this; ``before``: the stamps just before it. Spares the next look."""
        place = record.outcome, record.folder
        self._content[place], self._place[record.sha256] = record.sha256, place
        if before == self._stamps:
            self._stamps = self.stamps()

    def mark_of(self, record: Record) -> Mark | None:
        """Of a folder that we have just published: the next look need not read it."""
        try:
            status = os.lstat(self.roots[record.outcome] / record.folder)
        except OSError:
            return None
        return Mark(record.outcome, record.folder, _stamp_of(status), record.sha256)

    def _list(self) -> list[Mark]:
        """Remember every folder with a whole report; only those that are not as they were are read. Returns
        those.
        """
        fresh: list[Mark] = []
        found: dict[Place, str] = {}
        places: dict[str, Place] = {}
        for outcome, root in self.roots.items():
            for name, stamp in _folders(root):
                place = outcome, name
                mark = self.ledger.marks.of(place)
                if mark is None or mark.stamp != stamp:
                    record = report_of(root / name, outcome)
                    if record is None:
                        continue
                    mark = Mark(outcome, name, stamp, record.sha256)
                    fresh.append(mark)
                found[place] = mark.sha256
                places.setdefault(mark.sha256, place)
        self._content, self._place = found, places
        return fresh

    def _lacking(self) -> Iterator[Record]:
        """What the ledger does not know, or looks for in a folder that is not that content's any more."""
        for (outcome, folder), sha256 in self._content.items():
            place = self.ledger.place_of(sha256)
            if place is None:
                record = report_of(self.roots[outcome] / folder, outcome)
                if record is not None and self._place[sha256] == (outcome, folder):
                    yield record
            elif self._content.get(place) != sha256 and (known := self.ledger.find(sha256)):
                yield replace(known, outcome=outcome, folder=folder)


def unrecorded(roots: dict[str, Path], ledger: Ledger | None) -> list[Record]:
    """For displays: the results in folders that the ledger (None: it cannot be read) does not know."""
    named = ledger.places() if ledger else set()
    found = []
    for outcome, root in roots.items():
        for name in _names(root):
            if (outcome, name) not in named and (record := report_of(root / name, outcome)):
                found.append(record)
    return [record for record in found if ledger is None or ledger.find(record.sha256) is None]


def _stamp(root: Path) -> int | None:
    try:
        return os.stat(root).st_mtime_ns
    except FileNotFoundError:
        return None
    except OSError as error:
        raise machine_error(error, root) from error


def _entries(root: Path) -> Iterator[os.DirEntry[str]]:
    """The visible folders."""
    try:
        with os.scandir(root) as entries:
            yield from (e for e in entries if e.name[0] != "." and e.is_dir(follow_symlinks=False))
    except FileNotFoundError:
        return
    except OSError as error:
        raise machine_error(error, root) from error


def _names(root: Path) -> list[str]:
    return sorted(entry.name for entry in _entries(root))


def _folders(root: Path) -> list[tuple[str, str]]:
    """(name, stamp) of the visible folders, by name."""
    try:
        marks = [(entry.name, entry.stat(follow_symlinks=False)) for entry in _entries(root)]
    except OSError as error:
        raise machine_error(error, root) from error
    return sorted((name, _stamp_of(status)) for name, status in marks)


def _stamp_of(status: os.stat_result) -> str:
    return f"{status.st_mtime_ns}-{status.st_ino}"


def report_of(folder: Path, outcome: str) -> Record | None:
    """The record that a published folder's own report amounts to; None when it holds no whole report."""
    for report in sorted(folder.glob(PATTERNS[outcome])):
        try:
            data = json.loads(read_regular(report))
            drop = data["drop"]
            return Record(
                sha256=str(drop["sha256"]),
                outcome=outcome,
                folder=folder.name,
                name=str(drop["name"]),
                producer=drop.get("producer"),
                reason=data.get("reason"),
                summary=_summary(data),
                at=report.stat().st_mtime,
            )
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
    return None


def _summary(data: dict[str, Any]) -> dict[str, Any]:
    """The few values that status and digest show, as far as the report has them."""
    answers = data.get("answers") or {}
    ears = data.get("check_by_ear") or []
    asked = {"question": data["question"]} if data.get("question") else {}
    return asked | {
        "pack": data["drop"].get("pack"),
        "tempo_bpm": (answers.get("tempo") or {}).get("value"),
        "key": (answers.get("key") or {}).get("value"),
        "needs_ears": len(ears),
        "check_by_ear": list(ears[:EARS_KEPT]),
        "ear_topics": list(dict.fromkeys(str(line).partition(":")[0].lower() for line in ears)),
    }
