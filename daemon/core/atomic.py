"""How outputs appear: whole, durable, or not at all.

Write under a private name, fsync the files, fsync the folders, rename, fsync the folder renamed into. After a
crash or a power cut at any point a reader sees the old state or the new one, never a part.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from daemon.core.errors import DiskFull, FolderUnreachable, MachineError, NoPermission
from daemon.core.names import same_case
from daemon.core.oserrors import plainly
from daemon.core.private import private_name

T = TypeVar("T")
WINDOWS = os.name == "nt"
TEMP_PREFIX = ".beatintake-"
STAGING = ".staging"
BUSY = (errno.EACCES, errno.EBUSY, errno.EPERM)
TAKEN = (errno.EEXIST, errno.ENOTEMPTY)
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def machine_error(error: OSError, subject: str | Path) -> MachineError:
    """An OSError of our own folders as one of our errors, with the step that helps."""
    code = error.errno
    if code in FULL:
        return DiskFull(str(subject), "no space left to write", "free some space; the work is done then")
    if code in (errno.EACCES, errno.EPERM, errno.EROFS):
        return NoPermission(str(subject), plainly(error), "make the folder writable for the service")
    if code in (errno.ENOENT, errno.ENOTDIR, errno.ESTALE, errno.EHOSTDOWN, errno.ENOTCONN):
        return FolderUnreachable(str(subject), "it is not there", "mount the share or create the folder")
    return MachineError(str(subject), plainly(error), "look at the disk; the work is tried again")


def sync_file(path: Path) -> None:
    """fsync one regular file (an error is an error: an output that may be lost must not be announced)."""
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_beside(path: Path) -> Callable[[], None]:
    """Begin the fsync of a finished file in a thread of its own, for a large one that others follow.

    What comes back waits for its end, and raises MachineError when the disk refuses.
    """
    from concurrent.futures import ThreadPoolExecutor

    def sync() -> None:
        try:
            sync_file(path)
        except OSError as error:
            raise machine_error(error, path) from error

    thread = ThreadPoolExecutor(1)
    end = thread.submit(sync)
    thread.shutdown(wait=False)
    return end.result


def sync_folder(path: Path) -> None:
    """fsync a folder, so that the names in it survive a power cut. Nothing on Windows, which cannot."""
    if WINDOWS:
        return
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network file systems
            raise
    finally:
        os.close(descriptor)


def sync_tree(folder: Path) -> None:
    """fsync everything below a folder, contents before the folders that name them."""
    for parent, _, names in os.walk(folder, topdown=False):
        for name in names:
            sync_file(Path(parent, name))
        sync_folder(Path(parent))


def patiently(action: Callable[[], T], tries: int = 5, pause_s: float = 0.1) -> T:
    """Retry what a virus scanner or an open viewer may block for a moment (Windows, some shares)."""
    for attempt in range(1, tries + 1):
        try:
            return action()
        except PermissionError as error:
            if not WINDOWS or error.errno not in BUSY or attempt == tries:
                raise
            time.sleep(pause_s * attempt)
    raise AssertionError("unreachable")


def atomic_write(path: Path, data: bytes, *, durable: bool = True) -> None:
    """Replace a file as a whole. The temporary name is short and independent of the target's length.

    ``durable=False`` leaves out the fsyncs, for files such as the heartbeat that only the living need.
    """
    temporary = path.parent / private_name(TEMP_PREFIX)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    descriptor = os.open(temporary, flags, 0o666)
    try:
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(descriptor, view) :]
            if durable:
                os.fsync(descriptor)
        finally:
            os.close(descriptor)
        patiently(lambda: os.replace(temporary, path))
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    if durable:
        sync_folder(path.parent)


def free_name(root: Path, name: str) -> str:
    """``name``, or "name (2)", "name (3)" ...: not taken in ``root``, not even in other letter case."""
    taken = set(same_case("/".join(os.listdir(root))).split("/"))  # all at once: there may be thousands
    number, wanted = 1, name
    while same_case(wanted) in taken:
        number += 1
        wanted = f"{name} ({number})"
    return wanted


def reveal(staged: Path, root: Path, name: str) -> Path:
    """The rename and its fsync. Never replaces anything: OSError with an errno of TAKEN when the name is
    used.
    """
    target = root / name
    if target.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    patiently(lambda: os.rename(staged, target))
    sync_folder(root)
    sync_folder(staged.parent)
    return target


def discard(folder: Path) -> None:
    """Remove a private folder of ours as far as possible; what stays is swept later."""
    shutil.rmtree(folder, ignore_errors=True)
