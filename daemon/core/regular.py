"""Open a regular file, and nothing else: no link, pipe or device, which could lead away or never end.

The one way in which files are opened that others can put there, too.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

FLAGS = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
MOST_BYTES = 512_000_000


class NotRegular(OSError):
    """A link, pipe, socket, device or folder: it is not opened."""

    def __init__(self, path: Path) -> None:
        super().__init__(errno.EINVAL, "it is not a regular file", str(path))


def open_regular(path: Path) -> BinaryIO:
    """Open it for reading. Raises NotRegular, or another OSError."""
    if not stat.S_ISREG(os.lstat(path).st_mode):
        raise NotRegular(path)
    file = os.fdopen(os.open(path, FLAGS), "rb", buffering=1 << 16)
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise NotRegular(path)
    return file


def read_regular(path: Path, most: int = MOST_BYTES) -> bytes:
    """Its bytes, at most so many. Raises OSError, also when it is no regular file."""
    with open_regular(path) as file:
        return file.read(most)
