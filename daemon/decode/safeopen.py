"""What a drop is, which of its files count, and what identifies it.

A drop is one audio file, a folder (of stems, or holding one file) or a zip of either. Everything
in it was made by strangers, so files are opened here only: regular files, never a link, pipe or
device, and what was read is compared with what is there afterwards. The producer's bytes are
read, never written, moved or renamed.

Hard links count as the regular files they are: they cannot be told from the "original", and
only somebody who may already read a file can put a link to it into the folder.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple

from config.settings import DEFAULT_IGNORE
from daemon.core.errors import (
    ChangedWhileReading,
    DropWithdrawn,
    EmptyDrop,
    MachineError,
    NoPermission,
    TooLong,
    UnsafeDrop,
)
from daemon.core.names import is_ignored
from daemon.core.text import file_name

HASH_BLOCK = 1 << 20
MAX_DEPTH = 6  # folders inside a folder of stems
MAX_FILES = 2000  # regular files in one folder, of any kind
_FLAGS = (
    os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
)


def io_error(error: OSError, name: str) -> MachineError | UnsafeDrop:
    """The named error for a system error on a producer's file."""
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return DropWithdrawn(name, "it was moved or deleted", "drop it again when it is wanted")
    if error.errno in (errno.EACCES, errno.EPERM):
        return NoPermission(name, "the service may not read it", "give its user the right to read the file")
    if error.errno in (errno.ELOOP, errno.EMLINK, errno.ENXIO):
        return UnsafeDrop(name, "it is a link or a device, not a file", "drop the file itself")
    cause = f"reading failed ({error.strerror or error})"
    return MachineError(name, cause, "check the disk or the network share; it is tried again")


@contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """Open one regular file for reading and prove at the end that it stayed the same.

    Raises
    ------
    UnsafeDrop : a link, pipe, socket, device or folder; it is not opened
    ChangedWhileReading, DropWithdrawn : size, time, inode or place changed inside the block
    NoPermission, MachineError : the system refused
    """
    name = file_name(path)
    try:
        _require_regular(os.lstat(path), name)
        file = os.fdopen(os.open(path, _FLAGS), "rb", buffering=1 << 16)
    except OSError as error:
        raise io_error(error, name) from error
    with file:
        before = os.fstat(file.fileno())
        _require_regular(before, name)
        try:
            yield file
            after, there = os.fstat(file.fileno()), os.lstat(path)
        except OSError as error:
            raise io_error(error, name) from error
        if _stat_of(before) != _stat_of(after) or (there.st_dev, there.st_ino) != (
            before.st_dev,
            before.st_ino,
        ):
            raise ChangedWhileReading(
                name, "it changed while it was being read", "it is done again once quiet"
            )


def _require_regular(facts: os.stat_result, name: str) -> None:
    if not stat.S_ISREG(facts.st_mode):
        raise UnsafeDrop(name, "it is a link, pipe or device, not a file", "drop the file itself")


def _stat_of(facts: os.stat_result) -> tuple[int, ...]:
    return facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def hash_open(file: BinaryIO) -> tuple[str, int]:
    """SHA-256 (hex) and length in bytes of an open file, from its first byte; rewinds it."""
    digest, length = hashlib.sha256(), 0
    file.seek(0)
    while block := file.read(HASH_BLOCK):
        digest.update(block)
        length += len(block)
    file.seek(0)
    return digest.hexdigest(), length


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
        entries.append(MemberState(relative_name(path, folder), facts.st_size, _stat_of(facts)))
    return tuple(entries)


def identify(path: Path, ignore: tuple[str, ...] = DEFAULT_IGNORE) -> str:
    """SHA-256 (hex) of a drop's bytes: its identity, whatever its name.

    A folder's is taken over its members' relative NFC names and SHA-256s; where it lies, its own
    name, file times and ignored names do not count. Streamed: memory does not depend on the size.
    """
    if not is_folder(path):
        with opened(path) as file:
            return hash_open(file)[0]
    hashes = []
    for member in members(path, ignore).files:
        with opened(member) as file:
            hashes.append((relative_name(member, path), hash_open(file)[0]))
    if not hashes:
        raise EmptyDrop(file_name(path), "the folder holds no file", "drop the stems or the beat itself")
    return combined_hash(hashes)


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
