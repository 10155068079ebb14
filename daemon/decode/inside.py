"""One file in a zip of several beats: what identifies it, and whether it goes on where another ended.

Looked at where it lies, without unpacking; the rules and limits are those of `daemon.decode.archives`.
"""

from __future__ import annotations

import hashlib
import os
import sys
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from config.settings import Limits
from daemon.core.errors import BeatintakeError, DropError, UnsafeArchive
from daemon.core.text import file_name
from daemon.decode.archives import (
    AGAIN,
    BLOCK,
    DAMAGE,
    Budget,
    checked,
    damaged,
    require_small_directory,
    system_error,
)
from daemon.decode.identity import Identity, continues
from daemon.decode.safeopen import opened


def identify_inner(path: Path, inner: str, limits: Limits, ignore: tuple[str, ...]) -> Identity:
    """Of one file in a zip, as when it arrives on its own. Raises as `extract` does."""
    with _looked_into(path, limits, ignore) as (_, beginning):
        whole = beginning(inner, sys.maxsize)
    if whole is None:
        raise UnsafeArchive(file_name(path), f"it no longer holds {file_name(inner)}", AGAIN)
    return Identity(whole.sha256, {"": (whole.sha256, whole.bytes)})


def continues_inner(
    path: Path,
    inner: str | None,
    earlier: Mapping[str, tuple[str, int]],
    limits: Limits,
    ignore: tuple[str, ...],
) -> bool:
    """`identity.continues` for what lies in a zip: one file of it, or (``inner`` None) all that lay in it."""
    if inner is None and continues(path, earlier):
        return True
    wanted = {inner: earlier.get("", ("", 0))} if inner else {name: earlier[name] for name in earlier if name}
    try:
        with _looked_into(path, limits, ignore) as (_, beginning):
            found = [(beginning(name, part[1]), part) for name, part in wanted.items()]
    except DropError:  # whoever unpacks it says so
        return False
    goes_on = all(is_now and (is_now.sha256, is_now.bytes) == part for is_now, part in found)
    return goes_on and any(is_now and is_now.of > part[1] for is_now, part in found)


def called(path: Path, name: str, limits: Limits, ignore: tuple[str, ...]) -> list[str]:
    """Files in a zip that have this name, in whatever folder; none when it cannot be read."""
    try:
        with _looked_into(path, limits, ignore) as (names, _):
            return [inner for inner in names if file_name(inner) == name]
    except BeatintakeError:
        return []


class _Beginning(NamedTuple):
    sha256: str
    bytes: int
    of: int  # bytes that the archive states for the whole


@contextmanager
def _looked_into(
    path: Path, limits: Limits, ignore: tuple[str, ...]
) -> Iterator[tuple[Iterable[str], Callable[[str, int], _Beginning | None]]]:
    """Names of the files in a zip, and a function that reads so many bytes of one; None: there is none."""
    name = file_name(path)
    with opened(path) as file:
        size = os.fstat(file.fileno()).st_size
        require_small_directory(file, size, name)
        budget = Budget(name, size, limits)
        try:
            with zipfile.ZipFile(file) as archive:
                entries = {"/".join(parts): info for info, parts in checked(archive.infolist(), name, ignore)}

                def beginning(inner: str, most: int) -> _Beginning | None:
                    if inner not in entries:
                        return None
                    digest, length = hashlib.sha256(), 0
                    with archive.open(entries[inner]) as source:
                        while block := source.read(min(BLOCK, most - length)):
                            budget.spend(len(block))
                            digest.update(block)
                            length += len(block)
                    return _Beginning(digest.hexdigest(), length, entries[inner].file_size)

                yield entries.keys(), beginning
        except OSError as error:
            raise system_error(error, name) from error
        except DAMAGE as error:
            raise damaged(name, str(error)) from error
