"""What a person said about a folder or zip of several files: the stems of one beat, or separate beats.

One small file in the state folder for each content hash, as corrections have: it holds when the same bytes
arrive again, and may be given before or after.
"""

from __future__ import annotations

import json
from pathlib import Path

from daemon.core.atomic import atomic_write, machine_error
from daemon.decode.several import ANSWERS, Answer

FOLDER = "answers"
SCHEMA_VERSION = "1.0"


def stored_answer(state: Path, sha256: str) -> Answer | None:
    """None when nothing (readable) was said."""
    try:
        said = json.loads(_path(state, sha256).read_bytes())["answer"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return said if said in ANSWERS else None


def store_answer(state: Path, sha256: str, name: str, answer: Answer) -> None:
    """Keep it. The last word counts."""
    path = _path(state, sha256)
    facts = {"schema_version": SCHEMA_VERSION, "sha256": sha256, "name": name, "answer": answer}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        atomic_write(path, json.dumps(facts, indent=1).encode())
    except OSError as error:
        raise machine_error(error, path) from error


def _path(state: Path, sha256: str) -> Path:
    return state / FOLDER / f"{sha256}.json"
