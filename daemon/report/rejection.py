"""A drop that cannot be used, for people: the folder that it leaves, with a page, and a line for the board.

The page says why, what to do, and a sentence to send to the producer.
"""

from __future__ import annotations

import json
import os
import re
import shlex
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from config.settings import Folders, Settings
from daemon.core.names import BOARD_FILE
from daemon.core.program import PROGRAM, program_with
from daemon.core.text import lines, one_line
from daemon.ledger.ledger import Record
from daemon.ledger.rejection import RECORD_FILE, original_of
from daemon.ledger.rejection import stage_rejection as stage_record

PAGE_FILE = "rejected.html"
ASK = re.compile(r"ask the producer (to|for) (.+)")
LIMIT = re.compile(r"\s*\(limits\.\w+\)|\blimits\.\w+ (?:=|is) ")  # names that only we know
ABSOLUTE = re.compile(r"(?<!\w)(?:[A-Za-z]:)?(?:[/\\]+[^\s/\\,;:'\"()][^/\\,;:'\"()]*){2,}")
MOST_BYTES = 1 << 20


def stage_rejection(staged: Path, record: Record, heading: str, settings: Settings) -> str:
    """Write the private folder with its page. Returns the name that it should get in rejected/."""
    call = program_with(settings.named)
    folder = stage_record(staged, record, heading, call)
    page = rejection_page(record, folder, way_to_board(settings.folders), call)
    (staged / PAGE_FILE).write_text(page, encoding="utf-8")
    return folder


def way_to_board(folders: Folders) -> str:
    """Address of the board as the page in a folder of rejected/ calls it; empty where there is no way."""
    try:
        way = os.path.relpath(folders.ready, folders.rejected / "folder")
    except ValueError:  # another drive
        return ""
    return "/".join(quote(part) for part in [*way.split(os.sep), BOARD_FILE])


def rejection_page(record: Record, folder: str, board: str = "", call: str = PROGRAM) -> str:
    """The page as text.

    folder : the name that the commands know it by, which begin with `call`
    board : its address, if any
    """
    from daemon.report.templating import templates

    question = bool(record.summary.get("question"))
    why, what_to_do = split_reason(record.reason or "")
    at = datetime.fromtimestamp(record.at).astimezone().isoformat(" ", "minutes")[:16] if record.at else ""
    return (
        templates()
        .get_template("rejected.html.j2")
        .render(
            record=record,
            board=board,
            why=why,
            what_to_do=what_to_do,
            sentence=to_producer(record.name, record.reason or ""),
            question=question,
            retry=_command(record, folder, call)
            if question or not needs_another(record.reason or "")
            else "",
            original=original_of(record),
            at=at,
        )
    )


def _command(record: Record, folder: str, call: str) -> str:
    if record.summary.get("question"):
        return f"{call} answer {shlex.quote(one_line(record.name))} stems"
    return f"{call} retry {shlex.quote(folder)}"


def needs_another(reason: str) -> bool:
    """Is it the file itself, so that no change of the settings makes it usable?"""
    step = reason.partition("; ")[2]
    return bool(ASK.search(step)) or step.startswith("ask for ")


def split_reason(reason: str) -> tuple[str, str]:
    """(cause, next step), each a sentence; the step may be empty."""
    cause, _, step = reason.strip().rstrip(".").partition("; ")
    return _sentence(cause), _sentence(step)


def to_producer(name: str, reason: str) -> str:
    """What to write to the producer, fit to be sent as it is: no path of this machine, none of our words."""
    cause, _, step = reason.strip().rstrip(".").partition("; ")
    asked = ASK.search(step)
    if asked:
        request = asked[2] if asked[1] == "to" else f"send {asked[2]}"
    elif step.startswith("ask for "):
        request = f"send {step.removeprefix('ask for ')}"
    else:
        request = "export it anew as WAV, AIFF or FLAC and send it again"
    why = _without_paths(LIMIT.sub("", cause))
    asks = f"Could you please {request}? Thank you."
    return one_line(f'Hello, your delivery "{name}" cannot be used here: {why}. {asks}')


def _without_paths(text: str) -> str:
    """Of every path from the root only the last part is told."""
    return ABSOLUTE.sub(lambda found: re.split(r"[/\\]", found[0])[-1], text)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def read_rejections(rejected: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """(folder, row for the board) of every rejected drop; what waits for an answer is not one."""
    for path in rejected.glob(f"[!.]*/{RECORD_FILE}"):
        try:
            with path.open("rb") as file:
                data = json.loads(file.read(MOST_BYTES))
            drop = data["drop"]
            row = {
                "name": lines(str(drop["name"])),
                "producer": drop.get("producer") and lines(str(drop["producer"])),
                "sha256": str(drop["sha256"]),
                "reason": lines(str(data.get("reason") or "no reason given")),
                "at": float(data.get("at") or path.stat().st_mtime),
                "page": (path.parent / PAGE_FILE).is_file(),
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
        if not data.get("question"):
            yield path.parent.name, row
