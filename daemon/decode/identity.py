"""Which files of a drop count, and what identifies it.

A drop is one audio file, a folder (of stems, or holding one file) or a zip of either.
"""

from __future__ import annotations

import hashlib
import os
import stat
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from config.settings import DEFAULT_IGNORE
from daemon.core.errors import EmptyDrop, TooLong, UnsafeDrop
from daemon.core.names import is_ignored
from daemon.core.text import file_name
from daemon.decode.safeopen import HASH_BLOCK, hash_open, io_error, opened, stat_of

MAX_DEPTH = 6  # folders inside a folder of stems
MAX_FILES = 2000  # regular files in one folder, of any kind


class Members(NamedTuple):
    """What lies in a folder and its sub-folders, sorted by relative NFC name; ignored names left out."""

    files: list[Path]  # regular files
    refused: list[Path]  # links, pipes, sockets, devices: never followed, never opened


def members(folder: Path, ignore: tuple[str, ...] = DEFAULT_IGNORE) -> Members:
    """List a folder in a stable order: copies made by different systems give the same one.

    ``ignore``: names that do not count (``arrival.ignore``).
    """
    found = Members([], [])
    try:
        _collect(folder, folder, MAX_DEPTH, ignore, found)
    except OSError as error:
        raise io_error(error, file_name(folder)) from error
    return Members(*(sorted(paths, key=lambda path: relative_name(path, folder)) for paths in found))


def _collect(folder: Path, top: Path, depth: int, ignore: tuple[str, ...], found: Members) -> None:
    with os.scandir(folder) as entries:
        for entry in entries:
            if is_ignored(entry.name, ignore):
                continue
            if entry.is_dir(follow_symlinks=False):
                if depth == 0:
                    cause = f"its folders are nested more than {MAX_DEPTH} deep"
                    raise UnsafeDrop(file_name(top), cause, "put the stems into one folder")
                _collect(Path(entry.path), top, depth - 1, ignore, found)
            else:
                regular = entry.is_file(follow_symlinks=False)
                (found.files if regular else found.refused).append(Path(entry.path))
            if len(found.files) + len(found.refused) > MAX_FILES:
                cause = f"it holds more than {MAX_FILES} files"
                raise TooLong(file_name(top), cause, "drop the stems of one beat at a time")


def relative_name(path: Path, folder: Path) -> str:
    """Name of a member inside its folder, NFC, with forward slashes."""
    return unicodedata.normalize("NFC", path.relative_to(folder).as_posix())


class MemberState(NamedTuple):
    """One member as it lies there; equal states mean that nothing touched it."""

    name: str
    size: int
    stat: tuple[int, ...]


def member_states(folder: Path, ignore: tuple[str, ...] = DEFAULT_IGNORE) -> tuple[MemberState, ...]:
    """All members with size, time and inode, to prove that a folder stayed the same."""
    entries = []
    for path in members(folder, ignore).files:
        try:
            facts = os.lstat(path)
        except OSError as error:
            raise io_error(error, file_name(path)) from error
        entries.append(MemberState(relative_name(path, folder), facts.st_size, stat_of(facts)))
    return tuple(entries)


class Identity(NamedTuple):
    """``parts``: SHA-256 and length in bytes of each file, by relative name; "" names a drop of one file."""

    sha256: str
    parts: dict[str, tuple[str, int]]


def identify(path: Path, ignore: tuple[str, ...] = DEFAULT_IGNORE) -> str:
    """SHA-256 (hex) of a drop's bytes: see `identity_of`."""
    return identity_of(path, ignore).sha256


def identity_of(path: Path, ignore: tuple[str, ...] = DEFAULT_IGNORE) -> Identity:
    """What identifies a drop, whatever its name.

    A folder's is taken over its members' relative NFC names and SHA-256s; where it lies, its own
    name, file times and ignored names do not count. (So another ``arrival.ignore`` may give a folder another
    identity. That is meant: it is another sum.) Streamed: memory does not depend on the size.
    """
    if not is_folder(path):
        with opened(path) as file:
            whole = hash_open(file)
            return Identity(whole[0], {"": whole})
    parts = {}
    for member in members(path, ignore).files:
        with opened(member) as file:
            parts[relative_name(member, path)] = hash_open(file)
    if not parts:
        raise EmptyDrop(file_name(path), "the folder holds no file", "drop the stems or the beat itself")
    return Identity(combined_hash((name, sha256) for name, (sha256, _) in parts.items()), parts)


def continues(path: Path, earlier: Mapping[str, tuple[str, int]]) -> bool:
    """Does this begin with what was there earlier: the file, or each of those files in the folder?

    ``earlier``: as in `Identity.parts`. A folder in which only others were added goes on with nothing.
    """
    if not is_folder(path):
        return "" in earlier and _begins(path, earlier[""]) is not None
    lengths = {name: _begins(path / name, part) for name, part in earlier.items() if name}
    whole = bool(lengths) and None not in lengths.values()
    return whole and any((lengths[name] or 0) > earlier[name][1] for name in lengths)


def _begins(path: Path, part: tuple[str, int]) -> int | None:
    """The file's length when it begins with that (SHA-256, length), else None."""
    if not os.path.lexists(path):
        return None
    with opened(path) as file:
        return os.fstat(file.fileno()).st_size if hash_open(file, part[1]) == part else None


def beginning(path: Path) -> tuple[str, int] | None:
    """(SHA-256, length) of a file without the zeros at its end, which may be space reserved for more.

    None when it does not end in zeros.
    """
    with opened(path) as file:
        size = end = file.seek(0, 2)
        while end:
            start = max(0, end - HASH_BLOCK)
            file.seek(start)
            if kept := file.read(end - start).rstrip(b"\0"):
                end = start + len(kept)
                break
            end = start
        return hash_open(file, end) if end < size else None


def is_folder(path: Path) -> bool:
    """True for a real folder; a link to one is not."""
    try:
        return stat.S_ISDIR(os.lstat(path).st_mode)
    except OSError as error:
        raise io_error(error, file_name(path)) from error


def combined_hash(hashes: Iterable[tuple[str, str]]) -> str:
    """Identity of a folder from (relative NFC name, SHA-256) pairs, in any order."""
    digest = hashlib.sha256()
    for name, value in sorted(hashes):
        digest.update(f"{value} {len(name)} {name}\n".encode("utf-8", "surrogatepass"))
    return digest.hexdigest()
