"""Is somebody still writing this file? Asked once a drop looks quiet, before it is taken.

Quiet alone is not proof: a copy may pause. Where the system can tell (Linux, local file system, file of
ours or as root) a read lease is asked for, which is granted only when nobody has the file open for writing.
The bytes are looked at, too: a header that promises more than is there (writers that open, append and
close) earns the writer more patience, and so does, where leases cannot tell, an end of zeros (writers that
reserve the space first).
"""

from __future__ import annotations

import errno
import os
import signal
import stat
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO

from daemon.decode.headers import measure_extent, recognise
from daemon.ingest.grouping import Candidate

try:
    import fcntl
except ImportError:  # Windows: opening fails while another program writes, which says as much
    fcntl = None  # type: ignore[assignment]

FLAGS = os.O_RDONLY
for _flag in ("O_NOFOLLOW", "O_NONBLOCK", "O_BINARY"):
    FLAGS |= getattr(os, _flag, 0)
TAIL_BYTES = 4096
F_SETSIG = getattr(fcntl, "F_SETSIG", 10)
SIGURG = getattr(signal, "SIGURG", 23)  # ignored unless somebody asks for it


class Access(StrEnum):
    FREE = "free"  # nobody writes
    WRITER = "somebody still has it open for writing"
    SUSPECT = "it looks incomplete"  # cannot tell about writers, and the bytes look unfinished
    UNKNOWN = "unknown"  # cannot tell about writers, the bytes look whole
    DENIED = "it may not be read"
    GONE = "it is gone"


def access(root: Path, candidate: Candidate) -> Access:
    """The worst of all members; links, pipes, devices count as free: intake refuses them with a reason."""
    answers = {access_file(root / f.path) for f in candidate.members if f.regular}
    order = (Access.GONE, Access.DENIED, Access.WRITER, Access.SUSPECT, Access.UNKNOWN)
    return next((answer for answer in order if answer in answers), Access.FREE)


def access_file(path: Path) -> Access:
    try:
        descriptor = os.open(path, FLAGS)
    except FileNotFoundError:
        return Access.GONE
    except OSError as error:
        return Access.WRITER if error.errno in (errno.EBUSY, errno.ETXTBSY) else Access.DENIED
    with os.fdopen(descriptor, "rb") as file:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return Access.FREE
        writer = has_writer(descriptor)
        if writer:
            return Access.WRITER
        try:
            suspect = promises_more(file) or (writer is None and ends_in_zeros(file))
        except OSError:
            return Access.DENIED
        if suspect:
            return Access.SUSPECT
        return Access.UNKNOWN if writer is None else Access.FREE


def has_writer(descriptor: int) -> bool | None:
    """True or False where a read lease can tell, else None."""
    if fcntl is None or not hasattr(fcntl, "F_SETLEASE"):
        return None
    try:
        # a writer that opens the file in this very moment makes the kernel send this signal
        fcntl.fcntl(descriptor, F_SETSIG, SIGURG)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        return True if error.errno == errno.EAGAIN else None
    fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False


def promises_more(file: BinaryIO) -> bool:
    """Empty, or fewer bytes than the header declares."""
    size = os.fstat(file.fileno()).st_size
    if size == 0:
        return True
    extent = measure_extent(file, recognise(file), size)
    return extent.missing_bytes > 0 or not extent.ended


def ends_in_zeros(file: BinaryIO) -> bool:
    size = os.fstat(file.fileno()).st_size
    file.seek(max(0, size - TAIL_BYTES))
    return not any(file.read(TAIL_BYTES))
