"""The safe way to open what strangers dropped.

Files are opened here only: regular files, never a link, pipe or device, and what was read is
compared with what is there afterwards. The producer's bytes are
read, never written, moved or renamed.

Hard links count as the regular files they are: they cannot be told from the "original", and
only somebody who may already read a file can put a link to it into the folder.
"""

from __future__ import annotations

import errno
import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from analyzers.signal.beside import asked
from daemon.core.errors import (
    ChangedWhileReading,
    DropWithdrawn,
    MachineError,
    NoPermission,
    UnsafeDrop,
)
from daemon.core.oserrors import plainly
from daemon.core.regular import NotRegular, open_regular
from daemon.core.text import file_name

if TYPE_CHECKING:
    from concurrent.futures import Executor

HASH_BLOCK = 1 << 20


def io_error(error: OSError, name: str) -> MachineError | UnsafeDrop:
    """The named error for a system error on a producer's file."""
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return DropWithdrawn(name, "it was moved or deleted", "drop it again when it is wanted")
    if error.errno in (errno.EACCES, errno.EPERM):
        return NoPermission(name, "the service may not read it", "give its user the right to read the file")
    if error.errno in (errno.ELOOP, errno.EMLINK, errno.ENXIO):
        return UnsafeDrop(name, "it is a link or a device, not a file", "drop the file itself")
    cause = f"reading failed ({plainly(error)})"
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
        file = open_regular(path)
    except NotRegular as error:
        cause = "it is a link, pipe or device, not a file"
        raise UnsafeDrop(name, cause, "drop the file itself") from error
    except OSError as error:
        raise io_error(error, name) from error
    with file:
        before = os.fstat(file.fileno())
        try:
            yield file
            after, there = os.fstat(file.fileno()), os.lstat(path)
        except OSError as error:
            raise io_error(error, name) from error
        if stat_of(before) != stat_of(after) or (there.st_dev, there.st_ino) != (
            before.st_dev,
            before.st_ino,
        ):
            raise ChangedWhileReading(
                name, "it changed while it was being read", "it is done again once quiet"
            )


def stat_of(facts: os.stat_result) -> tuple[int, ...]:
    """What changes when anybody touches a file."""
    return facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def hash_beside(file: BinaryIO, beside: Executor) -> Callable[[], tuple[str, int]]:
    """`hash_open` of the whole file in the thread `beside`, while this one reads on in it.

    What is returned waits for its end. Where no place in a file can be read without moving in it (Windows),
    it is done before this returns.
    """
    if not hasattr(os, "pread"):
        return asked(None, hash_open, file)
    return asked(beside, _hash_in_place, file.fileno())


def _hash_in_place(descriptor: int) -> tuple[str, int]:
    return _hash(lambda at: os.pread(descriptor, HASH_BLOCK, at))


def hash_open(file: BinaryIO, most: int = sys.maxsize) -> tuple[str, int]:
    """SHA-256 (hex) and length of the first ``most`` bytes of an open file; rewinds it."""
    file.seek(0)
    found = _hash(lambda at: file.read(min(HASH_BLOCK, most - at)))
    file.seek(0)
    return found


def _hash(block_at: Callable[[int], bytes]) -> tuple[str, int]:
    """SHA-256 (hex) and length of the blocks from each place on, up to an empty one."""
    digest, length = hashlib.sha256(), 0
    while block := block_at(length):
        digest.update(block)
        length += len(block)
    return digest.hexdigest(), length
