"""What a producer's drop that cannot be used leaves behind: a folder with the reason, never the file
itself.
"""

from __future__ import annotations

import json
import os
import shlex
from pathlib import Path, PurePath

from daemon.core.names import safe_stem
from daemon.core.program import PROGRAM
from daemon.core.text import lines, one_line
from daemon.ledger.ledger import Record

REASON_FILE = "reason.txt"
RECORD_FILE = "rejected.json"


def question_line(record: Record, call: str = PROGRAM) -> str:
    """The question and the line that answers it. `call`: see `program`."""
    word = shlex.quote(one_line(record.name))
    count = len(record.summary.get("question") or ())
    return (
        f"{record.name}: are its {count} files the stems of one beat, or separate beats? "
        f"{call} answer {word} stems (or beats)"
    )


def original_of(record: Record) -> str:
    """Where the producer's file lies, as it is shown: below incoming/, or by its name where it was named by a
    path of this machine, which is nobody's business.
    """
    where = str(record.summary.get("path", record.name))
    return record.name if PurePath(where).is_absolute() else one_line(f"incoming/{where}")


def is_question(folder: Path) -> bool:
    """Does a person have to say something here? Such a folder is kept until it is answered."""
    try:
        return bool(json.loads((folder / RECORD_FILE).read_bytes()).get("question"))
    except (OSError, ValueError, AttributeError):
        return False


def stage_rejection(staged: Path, record: Record, heading: str, call: str) -> str:
    """Write the private folder. Returns the name that it should get in rejected/. `call`: see `program`."""
    staged.mkdir(parents=True)
    where = record.summary.get("path", record.name)
    question = record.summary.get("question")
    text = lines(
        f"{record.name}: {heading}{'' if question else '.'}\n\n{record.reason}\n\n"
        f"The original is untouched: {original_of(record)}\n"
        + (_answers(record.name, call) if question else f"After a correction of the settings: {call} retry\n")
    )
    facts = {
        "schema_version": "1.0",
        "drop": {"name": record.name, "producer": record.producer, "sha256": record.sha256},
        "reason": record.reason,
        "question": record.summary.get("question"),
        "path": where,
        "at": record.at,
    }
    (staged / REASON_FILE).write_text(text, encoding="utf-8")
    (staged / RECORD_FILE).write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    return safe_stem(os.path.splitext(record.name)[0])


def _answers(name: str, call: str) -> str:
    word = shlex.quote(one_line(name))
    return (
        f"The stems of one beat:  {call} answer {word} stems   (or a file stems.txt in this folder)\n"
        f"Separate beats:         {call} answer {word} beats   (or a file beats.txt in this folder)\n"
        "Nothing is published until then; the answer may come at any time.\n"
    )
