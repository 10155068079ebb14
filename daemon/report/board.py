"""The board: one page that lists all drops, ready and rejected, newest first, beside the ready folders.

The folders are the truth: what lies in ready/ is listed, what somebody removed is not. A cache in
the state folder spares reading the reports of folders that have not changed. Sorting, search and
filters run in the page; without scripts it is a plain table.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from analyzers.structure.fingerprint import Fingerprint, is_other
from config.settings import Settings
from daemon.core.atomic import atomic_write, machine_error
from daemon.core.errors import MachineError, OtherVersion
from daemon.core.names import BOARD_FILE
from daemon.core.program import program_with
from daemon.core.version import version
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.ledger.othernames import read_other_names
from daemon.ledger.rejection import question_line
from daemon.report.page_notes import also_words, tell
from daemon.report.parts import OTHER_MUSIC
from daemon.report.rejection import PAGE_FILE, read_rejections
from daemon.report.report import SCHEMA_VERSION, read_report

CACHE_FILE = "board.json"
CACHE_FORM = f"{version()} {SCHEMA_VERSION} 8"  # another one: every report is read again
REPORT_SUFFIX, PAGE_SUFFIX = ".report.json", ".report.html"
BLANK: dict[str, Any] = {
    "reason": None,
    "pack": None,
    "also": (),
    "version": "",
    "changes": (),
    "key_changes": (),
    "key_families": (),
    **dict.fromkeys(
        (
            "tempo_shown",
            "tempo_note",
            "tempo_quarters",
            "tempo_span",
            "tempo_rival",
            "tempo_counted",
            "key_rival",
            "blues",
            "ear_words",
            "newer",
        )
    ),
}
"""What a row need not say."""

_read_before: dict[Path, dict[str, dict[str, Any]]] = {}


def rebuild_board(settings: Settings) -> Path:
    """Write ready/index.html anew, as a whole. Returns its path. Raises MachineError."""
    ready, state = settings.folders.ready, settings.folders.state
    path = ready / BOARD_FILE
    entries = read_entries(ready, state)
    unread = [entry["unread"] for entry in entries.values() if entry["unread"]]
    found = [*_rows(entries), *rejected_rows(ready, settings.folders.rejected)]
    names = read_other_names(ledger_path(state))
    music = {name: entry["music"] for name, entry in entries.items()}
    rows = numbered_versions([{**row, "also": names.get(row["sha256"], ())} for row in found], music)
    page = render_board(sorted(rows, key=_newest, reverse=True), unread, open_questions(settings))
    _tell_pages(ready, rows)
    try:
        atomic_write(path, page.encode(), durable=False)
    except OSError as error:
        raise machine_error(error, path) from error
    return path


def open_questions(settings: Settings) -> list[str]:
    """What a person must answer before it can be published, newest first, with the line that answers it."""
    path = ledger_path(settings.folders.state)
    if not path.exists():
        return []
    try:
        ledger = Ledger.read_only(path)
        try:
            return [question_line(record, program_with(settings.named)) for record in ledger.questions()]
        finally:
            ledger.close()
    except (sqlite3.Error, OSError):
        return []


def render_board(
    rows: list[dict[str, Any]], unread: Sequence[dict[str, str]] = (), questions: Sequence[str] = ()
) -> str:
    """The page for these rows, in their order; those with a `reason` are rejected drops.

    `unread`: what another version has written, named below them. `questions`: what comes before them.
    """
    from daemon.report.page import environment

    beats = [row for row in rows if not row.get("reason")]
    families = {f["notes"]: f["name"] for row in beats for f in row.get("key_families", [])}
    return (
        environment()
        .get_template("board.html.j2")
        .render(
            rows=[{**BLANK, **row, "at": _epoch(row["made_at"])} for row in rows],
            questions=questions,
            beats=len(beats),
            unread=unread,
            also_words=also_words,
            producers=sorted({row["producer"] for row in rows if row["producer"]}, key=str.casefold),
            families=sorted(families.items(), key=lambda item: item[1]),
            needing_ears=sum(bool(row["needs_ears"]) for row in beats),
        )
    )


def _tell_pages(ready: Path, rows: list[dict[str, Any]]) -> None:
    """What the pages of these beats cannot know by themselves; one that cannot be written stays as it is."""
    for row in rows:
        if not row.get("reason"):
            with suppress(OSError, MachineError):
                tell(ready / row["folder"] / Path(row["files"]["page"]).name, row["also"], row.get("newer"))


def numbered_versions(
    rows: list[dict[str, Any]], music: Mapping[str, dict[str, Any] | None] | None = None
) -> list[dict[str, Any]]:
    """The rows; where several beats have one name and producer, each says which version it is, or that it is
    other music. `music`: fingerprints by folder, where they are known.
    """
    groups: dict[tuple[str, str | None], list[dict[str, Any]]] = {}
    for row in rows:
        if not row.get("reason"):
            groups.setdefault((row["name"].casefold(), row["producer"]), []).append(row)
    said: dict[str, dict[str, Any]] = {}
    for named in groups.values():
        parts = _by_music(sorted(named, key=_newest), music or {})
        if len(parts) > 1:
            said |= {row["folder"]: {"version": OTHER_MUSIC} for part in parts for row in part}
        _number(parts, said)
    return [row if row.get("reason") else {**row, **said.get(row["folder"], {})} for row in rows]


def _by_music(
    rows: list[dict[str, Any]], music: Mapping[str, dict[str, Any] | None]
) -> list[list[dict[str, Any]]]:
    """Beats of one name, oldest first, each with those that it may be a version of."""
    codes = {row["folder"]: music.get(row["folder"]) for row in rows}
    known = {folder: Fingerprint(**code) for folder, code in codes.items() if code}
    parts: list[list[dict[str, Any]]] = []
    for row in rows:
        mine = known.get(row["folder"])
        home = next((p for p in reversed(parts) if not is_other(known.get(p[-1]["folder"]), mine)), None)
        if home is None:
            parts.append([row])
        else:
            home.append(row)
    return parts


def _number(groups: list[list[dict[str, Any]]], said: dict[str, dict[str, Any]]) -> None:
    """Say of each beat which version of how many it is."""
    for group in groups:
        for k, row in enumerate(group[:-1]):
            newer = group[-1]["folder"], group[-1]["address"]
            said[row["folder"]] = {"version": f"version {k + 1} of {len(group)}, older", "newer": newer}
        if len(group) > 1:
            said[group[-1]["folder"]] = {"version": f"version {len(group)} of {len(group)}, the newest"}


def rejected_rows(ready: Path, rejected: Path) -> list[dict[str, Any]]:
    """One row for each rejected drop; `address` None: it was rejected before there were pages."""
    way = [quote(part) for part in os.path.relpath(rejected, ready).split(os.sep)]
    return [
        {
            **row,
            "folder": folder,
            "made_at": datetime.fromtimestamp(row["at"], UTC).astimezone().isoformat(timespec="seconds"),
            "address": "/".join([*way, quote(folder), PAGE_FILE]) if row["page"] else None,
        }
        for folder, row in read_rejections(rejected)
    ]


def _newest(row: dict[str, Any]) -> tuple[int, str]:
    return _epoch(row["made_at"]), row["folder"]


def _epoch(text: str | None) -> int:
    """Seconds since the epoch of an ISO time; 0 for none."""
    try:
        return int(datetime.fromisoformat(text).timestamp()) if text else 0
    except ValueError:
        return 0


def read_rows(ready: Path, state: Path) -> list[dict[str, Any]]:
    """One row for each ready folder with a readable report, newest first.

    A row is the report's summary with `folder` and `address` (of the page, relative to the board).
    """
    return _rows(read_entries(ready, state))


def _rows(entries: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    rows = [entry["row"] for entry in entries.values() if entry["row"]]
    return sorted(rows, key=_newest, reverse=True)


def read_entries(ready: Path, state: Path, *, keep: bool = True) -> dict[str, dict[str, Any]]:
    """By folder name: "row" (None: not one of ours), "music", the fingerprint as a dict or None, and "unread"
    (of a report of another major version: `folder`, `address` and `why`), else None.

    `keep`: write the cache; without it nothing is written at all. What this process has read before it
    does not read again: a worker looks here with every drop, and there may be thousands.
    """
    cache_path = state / CACHE_FILE
    known = _read_before.get(ready) or _read_cache(cache_path)
    fresh: dict[str, dict[str, Any]] = {}
    for name, mark in _folders(ready):
        entry = known.get(name)
        if entry is None or entry["mark"] != mark:
            entry = {"mark": mark, **_entry(ready / name)}
        fresh[name] = entry
    _read_before[ready] = fresh
    if keep and fresh != _read_cache(cache_path):
        _write_cache(cache_path, fresh)
    return fresh


def _folders(ready: Path) -> list[tuple[str, int]]:
    try:
        with os.scandir(ready) as entries:
            folders = [e for e in entries if not e.name.startswith(".") and e.is_dir(follow_symlinks=False)]
            return sorted((e.name, e.stat(follow_symlinks=False).st_mtime_ns) for e in folders)
    except OSError as error:
        raise machine_error(error, ready) from error


def _entry(folder: Path) -> dict[str, Any]:
    nothing = {"row": None, "music": None, "unread": None}
    found = sorted(folder.glob(f"[!.]*{REPORT_SUFFIX}"))
    if not found:
        return nothing
    try:
        report = read_report(found[0])
    except OtherVersion as error:
        pages = sorted(page.name for page in folder.glob(f"[!.]*{PAGE_SUFFIX}"))
        address = f"{quote(folder.name)}/{quote(pages[0]) if pages else ''}"
        return {**nothing, "unread": {"folder": folder.name, "address": address, "why": error.cause}}
    except MachineError:
        return nothing
    summary = report.summary()
    address = f"{quote(folder.name)}/{quote(summary['files']['page'])}"
    music = asdict(report.fingerprint) if report.fingerprint else None
    return {**nothing, "row": {**summary, "folder": folder.name, "address": address}, "music": music}


def _read_cache(path: Path) -> dict[str, dict[str, Any]]:
    try:
        data = json.loads(path.read_bytes())
        return dict(data["folders"]) if data["form"] == CACHE_FORM else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _write_cache(path: Path, folders: dict[str, dict[str, Any]]) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        atomic_write(path, json.dumps({"form": CACHE_FORM, "folders": folders}).encode(), durable=False)
    except OSError:
        return  # only time is lost
