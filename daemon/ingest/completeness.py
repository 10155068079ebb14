"""Is somebody still writing this file? Asked once a drop looks quiet, before it is taken.

Quiet alone is not proof: a copy may pause. Where the system can tell (Linux, local file system, file of
ours or as root) a read lease is asked for, which is granted only when nobody has the file open for writing.
A writer that opens, appends and closes is no writer in between, and on a share nobody can tell, so the
bytes are looked at as well (`daemon.decode.endings`): do they end where their format says? What the answers
cost a drop in time is decided in `daemon.ingest.settling`.
"""

from __future__ import annotations

import errno
import os
import signal
from enum import StrEnum
from pathlib import Path

from daemon.core.regular import NotRegular, open_regular, read_regular
from daemon.decode.endings import Ending, ending_of
from daemon.ingest.grouping import Candidate

try:
    import fcntl
except ImportError:  # Windows: opening fails while another program writes, which says as much
    fcntl = None  # type: ignore[assignment]

F_SETSIG = getattr(fcntl, "F_SETSIG", 10)
SIGURG = getattr(signal, "SIGURG", 23)  # ignored unless somebody asks for it
BEGINNING = 64  # bytes: every format names itself in fewer


class Access(StrEnum):
    """What keeps a quiet drop from being taken; the worst comes first."""

    GONE = "it is gone"
    DENIED = "it may not be read"
    WRITER = "somebody still has it open for writing"
    SUSPECT = "it looks incomplete"  # its own format promises more
    HOLES = "parts of it are reserved and were never written"
    ZEROS = "it ends in zeros: silence, or space reserved for more"
    OPEN_END = "its format does not say where it ends"
    FREE = "free"  # nobody is known to write, and the bytes end where they should


def access(root: Path, candidate: Candidate) -> Access:
    """The worst of all members; links, pipes, devices count as free: intake refuses them with a reason."""
    answers = {access_file(root / f.path) for f in candidate.members if f.regular}
    return next((answer for answer in Access if answer in answers), Access.FREE)


def access_file(path: Path) -> Access:
    try:
        file = open_regular(path)
    except FileNotFoundError:
        return Access.GONE
    except NotRegular:
        return Access.FREE
    except OSError as error:
        return Access.WRITER if error.errno in (errno.EBUSY, errno.ETXTBSY) else Access.DENIED
    with file:
        descriptor = file.fileno()
        if has_writer(descriptor):
            return Access.WRITER
        try:
            ending = ending_of(file)
            holes = has_holes(descriptor)
        except OSError:
            return Access.DENIED
        if ending is Ending.SHORT:
            return Access.SUSPECT
        if holes:
            return Access.HOLES
        return {Ending.OPEN: Access.OPEN_END, Ending.ZEROS: Access.ZEROS}.get(ending, Access.FREE)


def is_begun(path: Path) -> bool:
    """Is its beginning written, not only reserved? False for what cannot be read, and for a folder."""
    try:
        return any(read_regular(path, BEGINNING))
    except OSError:
        return False


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


def has_holes(descriptor: int) -> bool:
    """Are there parts that were reserved and never written? False where the file system does not say."""
    if not hasattr(os, "SEEK_HOLE"):
        return False
    size = os.fstat(descriptor).st_size
    try:
        return os.lseek(descriptor, 0, os.SEEK_HOLE) < size
    except OSError:
        return False
