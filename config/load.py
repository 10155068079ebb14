"""Find, read and check the configuration file.

Search order: the path given (``--config``), ``$BEATINTAKE_CONFIG``, ``beatintake.yaml`` in the
current folder, then ``beatintake/beatintake.yaml`` in the user's configuration folder. With
none of these the defaults hold. Every problem is reported at once as
``file:line: key: what was found, what is allowed``.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import platformdirs
import yaml
from pydantic import BaseModel, ValidationError

from config.settings import FOLDER_NAMES, Folders, Settings, entangled

FILE_NAME = "beatintake.yaml"
MAX_BYTES = 256 * 1024
WORDS = {
    "string_type": "text (write it in quotes)",
    "model_type": "a section: keys on indented lines below it",
    "model_attributes_type": "a section: keys on indented lines below it",
    "tuple_type": "a list such as [a, b]",
    "missing": "one more entry in the list",
    "too_long": "fewer entries in the list",
}
KeyPath = tuple[str | int, ...]


class InvalidConfig(Exception):
    """The file cannot be used; `problems` holds one line for each thing to correct."""

    def __init__(self, path: str, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.path = path
        self.problems = problems


def default_text() -> str:
    """The commented default configuration, which is also its documentation."""
    from importlib import resources

    return resources.files("config").joinpath("default.yaml").read_text(encoding="utf-8")


def search_paths() -> list[Path]:
    """Places that are looked at when no path is given, in order."""
    named = os.environ.get("BEATINTAKE_CONFIG")
    places = [Path(named).expanduser()] if named else []
    return [*places, Path.cwd() / FILE_NAME, Path(platformdirs.user_config_path("beatintake")) / FILE_NAME]


def find_config(given: Path | None) -> Path | None:
    """The file to use, or None for the defaults. A named file must exist."""
    named = os.environ.get("BEATINTAKE_CONFIG")
    if given is None and named:
        given = Path(named).expanduser()
    if given is not None:
        if not given.is_file():
            raise InvalidConfig(str(given), [f"{given}: no such file; write one with 'beatintake init'"])
        return given
    return next((path for path in search_paths() if path.is_file()), None)


def load_settings(path: Path | None) -> Settings:
    """Settings from a file, or the defaults for None. Raises InvalidConfig."""
    if path is None:
        return Settings()
    try:
        with path.open("rb") as handle:
            raw = handle.read(MAX_BYTES + 1)
        if len(raw) > MAX_BYTES:
            raise InvalidConfig(
                str(path), [f"{path}: larger than {MAX_BYTES // 1024} KiB; that is no configuration"]
            )
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise InvalidConfig(str(path), [f"{path}: not UTF-8 text; save it as UTF-8"]) from None
    except OSError as error:
        raise InvalidConfig(str(path), [f"{path}: cannot be read ({error.strerror})"]) from None
    settings = parse_settings(text, str(path), base=path.resolve().parent)
    if path.resolve() != (Path(platformdirs.user_config_path("beatintake")) / FILE_NAME).resolve():
        settings._named = path.resolve()
    return settings


def parse_settings(text: str, name: str, base: Path | None = None) -> Settings:
    """Settings from YAML text; `base` is what relative folders are relative to."""
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
        if node is not None and _has_alias(node):
            raise InvalidConfig(name, [f"{name}: aliases (*name) are not used here; write the value out"])
        data = yaml.SafeLoader("").construct_document(node) if node is not None else {}
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise InvalidConfig(name, [f"{name}:{line}: not valid YAML: {error.problem}"]) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise InvalidConfig(name, [f"{name}: not valid YAML: {error}"]) from None
    if node is None:
        return Settings()
    if not isinstance(node, yaml.MappingNode):
        raise InvalidConfig(name, [f"{name}:1: found {_short(data)}, allowed: sections such as 'folders:'"])
    lines = dict(_lines(node))
    problems = [f"{name}:{line}: {_dotted(path)}: written twice; keep one" for path, line in _twice(node)]
    data = {key: value for key, value in data.items() if value is not None}
    try:
        settings = Settings.model_validate(_absolute(data, base))
    except ValidationError as error:
        problems += [
            _explain(name, lines, item)
            for item in error.errors()
            if item["type"] != "default_factory_not_called"  # follows from another one
            and (item["loc"], item["type"]) != (("folders",), "value_error")  # told one by one
        ]
        problems += _entangled(name, lines, _absolute(data, base).get("folders"))
    if problems:
        raise InvalidConfig(name, sorted(problems, key=_line_number))
    return settings


def _entangled(name: str, lines: dict[KeyPath, int], given: Any) -> list[str]:
    """Folders inside others, also when another setting is wrong (one that is no text is told elsewhere)."""
    given = given if isinstance(given, dict) else {}
    usual = Folders().model_dump()
    places = {key: given.get(key) or usual[key] for key in FOLDER_NAMES if key in given or key != "state"}
    found = entangled({key: Path(place) for key, place in places.items() if isinstance(place, str | Path)})
    return [f"{name}:{lines.get(('folders', key), 1)}: {text}" for key, text in found]


def _absolute(data: dict[str, Any], base: Path | None) -> dict[str, Any]:
    folders = data.get("folders")
    if base is None or not isinstance(folders, dict):
        return data
    fixed = {k: str(base / Path(v).expanduser()) if isinstance(v, str) else v for k, v in folders.items()}
    return {**data, "folders": fixed}


def _lines(node: yaml.Node, path: KeyPath = ()) -> Iterator[tuple[KeyPath, int]]:
    yield path, node.start_mark.line + 1
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            here = (*path, str(key.value))
            yield from _lines(value, here)
            yield here, key.start_mark.line + 1
    elif isinstance(node, yaml.SequenceNode):
        for index, value in enumerate(node.value):
            yield from _lines(value, (*path, index))


def _twice(node: yaml.Node, path: KeyPath = ()) -> Iterator[tuple[KeyPath, int]]:
    if isinstance(node, yaml.MappingNode):
        seen: set[str] = set()
        for key, value in node.value:
            if key.value in seen:
                yield (*path, str(key.value)), key.start_mark.line + 1
            seen.add(key.value)
            yield from _twice(value, (*path, str(key.value)))


def _explain(name: str, lines: dict[KeyPath, int], item: Any) -> str:
    path: KeyPath = tuple(item["loc"])
    while path and path not in lines:
        path = path[:-1]
    where = f"{name}:{lines.get(path, 1)}: {_dotted(path) or 'file'}"
    if item["type"] == "extra_forbidden":
        return f"{where}: unknown key; {_nearest(path)}"
    message = str(item["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")
    if item["type"] == "value_error" and isinstance(item["input"], BaseModel | dict):
        return f"{where}: {message}"
    allowed = WORDS.get(item["type"], message.removeprefix("a valid "))
    return f"{where}: found {_short(item['input'])}, allowed: {allowed}"


def _has_alias(node: yaml.Node) -> bool:
    """An alias is the same node met again."""
    met, left = set[int](), [node]
    while left:
        found = left.pop()
        if id(found) in met:
            return True
        met.add(id(found))
        if isinstance(found, yaml.MappingNode):
            left += [part for pair in found.value for part in pair]
        elif isinstance(found, yaml.SequenceNode):
            left += found.value
    return False


def _nearest(path: KeyPath) -> str:
    import difflib

    model: type[BaseModel] = Settings
    for step in path[:-1]:
        if isinstance(step, int):  # a place in a list of sections
            continue
        field = model.model_fields.get(step)
        annotation = field.annotation if field else None
        annotation = next(iter(get_args(annotation)), annotation)  # what a list is of
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return "remove it"
        model = annotation
    known = list(model.model_fields)
    close = difflib.get_close_matches(str(path[-1]), known, n=1)
    hint = f"did you mean '{close[0]}'? " if close else ""
    return f"{hint}allowed: {', '.join(known)}"


def _dotted(path: KeyPath) -> str:
    return ".".join(str(step) for step in path)


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _line_number(problem: str) -> int:
    match = re.search(r":(\d+): ", problem)
    return int(match.group(1)) if match else 0
