"""Read a regular file whole, and nothing else: no link, pipe or device, which could lead away or never end.

For files in folders that others can write into, too.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

FLAGS = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
MOST_BYTES = 512_000_000


def read_regular(path: Path, most: int = MOST_BYTES) -> bytes:
    """Its bytes, at most so many. Raises OSError, also when it is no regular file."""
    if not stat.S_ISREG(os.lstat(path).st_mode):
        raise OSError(errno.EINVAL, "it is not a regular file", str(path))
    descriptor = os.open(path, FLAGS)
    with os.fdopen(descriptor, "rb") as file:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "it is not a regular file", str(path))
        return file.read(most)
