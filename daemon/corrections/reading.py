"""Read a correction file: a few lines `name: value` (see `daemon.report.page_corrections`).

Anybody who can write into the ready folder can leave one, so it is opened as drops are (no link, pipe or
device), and no more of it is read than a correction can need. It is YAML in its plainest form: names and
values on one level. Values stay text, so nothing is built, expanded or computed from it here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import yaml

from daemon.core.errors import ConfigError, UnsafeDrop
from daemon.corrections.words import FIELDS
from daemon.decode.safeopen import opened

MOST_BYTES = 4096
EMPTY = ("", "~", "null")
REMEDY = "write lines such as 'tempo: 70' or 'key: E flat minor'"


@dataclass(frozen=True, slots=True)
class Wanted:
    values: dict[str, str]  # by field name
    token: str  # of this very file: its bytes and the time it was written


def read_correction_file(path: Path) -> Wanted:
    """Raises ConfigError with what is wrong with it, MachineError when the system refuses."""
    try:
        with opened(path) as file:
            data, facts = file.read(MOST_BYTES + 1), path.lstat()
    except UnsafeDrop as error:
        raise _wrong(path, "it is a folder, link, pipe or device, not a file") from error
    if len(data) > MOST_BYTES:
        raise _wrong(path, f"it is longer than {MOST_BYTES} bytes")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _wrong(path, "it is not text in UTF-8") from error
    token = hashlib.sha256(data + str(facts.st_mtime_ns).encode()).hexdigest()
    return Wanted(_fields(path, text), token)


def _wrong(path: Path, *problems: str) -> ConfigError:
    return ConfigError(path.name, list(problems), REMEDY)


def _fields(path: Path, text: str) -> dict[str, str]:
    """The values by field name, those left empty not among them."""
    try:
        words = list(_words(path, text))
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise _wrong(path, f"line {line} cannot be read as 'name: value'") from error
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise _wrong(path, "it holds characters that do not belong into text") from error
    names = [name.strip().lower().replace(" ", "_").replace("-", "_") for name in words[::2]]
    known = f"known are {', '.join(FIELDS)}"
    problems = [f"unknown: {name[:40]!r}; {known}" for name in names if name not in FIELDS]
    problems += [f"{name} is written twice" for name in FIELDS if names.count(name) > 1]
    if problems:
        raise _wrong(path, *problems[:5])
    pairs = zip(names, words[1::2], strict=True)
    return {name: value for name, value in pairs if value.strip().lower() not in EMPTY}


def _words(path: Path, text: str) -> Iterator[str]:
    """Names and values in turn, as they are written. Event by event: depth and aliases cost nothing."""
    within = False
    for event in yaml.parse(text, Loader=yaml.SafeLoader):
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise _wrong(path, "aliases (&name, *name) are not used here; write the value out")
        if getattr(event, "tag", None):
            raise _wrong(path, "tags (!name) are not used here")
        if isinstance(event, yaml.MappingStartEvent) and not within:
            within = True
        elif isinstance(event, yaml.CollectionStartEvent):
            raise _wrong(path, "a value is one word or number, no list and no further level")
        elif isinstance(event, yaml.DocumentStartEvent) and within:
            raise _wrong(path, "it holds several documents (---); write one")
        elif isinstance(event, yaml.ScalarEvent) and within:
            yield event.value
    if not within:
        raise _wrong(path, "it holds no 'name: value' lines")
