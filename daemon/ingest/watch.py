"""Hints that something happened in the incoming folder, and proof that the watcher still lives.

Handlers only put paths into an inbox, so that nothing can go wrong in the watcher's thread (one exception
there would end it without a word). Everything else, from lost events to a share that went away, is found by
comparing: ``problem`` is asked every few seconds by the main loop, and a full look happens every
``rescan_seconds`` anyway.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from collections.abc import Callable
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import psutil
from watchdog import events
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver
from watchdog.observers.polling import PollingObserverVFS

from daemon.core.atomic import TEMP_PREFIX
from daemon.core.private import is_abandoned, private_name

MAX_PATHS = 2000
PROBE, PROBE_S = f"{TEMP_PREFIX}probe-", 2.0
NETWORK_TYPES = {
    "nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afpfs", "webdav", "davfs", "9p", "fuse", "ncpfs",
    "vboxsf", "virtiofs", "drvfs", "glusterfs", "ceph", "lustre", "afs",
}  # fmt: skip
LOOSE_TYPES = (NETWORK_TYPES | {"vfat", "msdos", "exfat"}) - {"nfs", "nfs4"}
"""Where inode numbers may be made up anew at every look."""
HEARD = [
    events.FileCreatedEvent, events.FileMovedEvent, events.FileModifiedEvent, events.FileDeletedEvent,
    events.FileClosedEvent, events.DirCreatedEvent, events.DirMovedEvent, events.DirDeletedEvent,
]  # fmt: skip


class Inbox:
    """Where threads leave hints for the main loop: a bounded number of paths, and named requests."""

    def __init__(self) -> None:
        self.wake: Connection
        self.wake, self._wake_writer = Pipe(duplex=False)
        self._lock = threading.Lock()
        self._signalled = False
        self._paths: dict[str, str | None] = {}  # with where it was renamed from, if that came last
        self._requests: set[str] = set()

    def touch(self, path: str, renamed_from: str | None = None) -> None:
        """Look at this path. Too many at once become one request for a full look.

        ``renamed_from``: the event was a rename to there; "" from outside the folder.
        """
        with self._lock:
            if path in self._paths or len(self._paths) < MAX_PATHS:
                self._paths[path] = renamed_from
            else:
                self._requests.add("scan")
            self._signal()

    def ask(self, request: str) -> None:
        with self._lock:
            self._requests.add(request)
            self._signal()

    def take(self) -> tuple[dict[str, str | None], set[str]]:
        """(paths, requests) since the last call; a path with what `touch` was told last."""
        with self._lock:
            if self._signalled:
                self.wake.recv_bytes()
                self._signalled = False
            taken = self._paths, self._requests
            self._paths, self._requests = {}, set()
            return taken

    def _signal(self) -> None:
        if not self._signalled:
            self._signalled = True
            self._wake_writer.send_bytes(b"!")


class _Handler(events.FileSystemEventHandler):
    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox

    def on_any_event(self, event: events.FileSystemEvent) -> None:
        source, target = os.fsdecode(event.src_path or ""), os.fsdecode(event.dest_path or "")
        if source:
            self._inbox.touch(source)
        if target:
            self._inbox.touch(target, renamed_from=source)
        if event.is_directory:
            self._inbox.ask("scan")


class _Overflow(logging.Handler):
    """The watcher drops events when the kernel's queue is full and says so only in its log."""

    def __init__(self, inbox: Inbox) -> None:
        super().__init__(logging.WARNING)
        self._inbox = inbox

    def emit(self, record: logging.LogRecord) -> None:
        self._inbox.ask("scan")


class Watch:
    """An observer on one folder, native where events arrive, polling where they do not."""

    def __init__(self, root: Path, mode: str, polling_s: float, inbox: Inbox) -> None:
        self.root = root
        self.wanted = mode
        self.polling_s = polling_s
        self.inbox = inbox
        self.mode = "none"
        self.note: str | None = None  # why it is not what was wanted
        self._observer: BaseObserver | None = None
        self._identity: tuple[int, int] | None = None
        self._overflow = _Overflow(inbox)

    def start(self) -> None:
        """Start watching. Raises OSError only when the folder is not there."""
        self._identity = _identity(self.root)
        self.note = None
        logging.getLogger("watchdog").addHandler(self._overflow)
        if self.wanted == "polling" or (self.wanted == "auto" and self._events_unlikely()):
            self._run(_polling_observer(self.polling_s), "polling")
            return
        try:
            self._run(_native_observer(), "native")
        except OSError as error:
            self.note = _watch_error(error)
            self._run(_polling_observer(self.polling_s), "polling")
            return
        if self.wanted == "auto" and not self._event_arrives():
            self.stop()
            self.note = "file events do not arrive here; the folder is polled"
            self._run(_polling_observer(self.polling_s), "polling")

    def _run(self, observer: Any, mode: str) -> None:
        try:
            observer.schedule(_Handler(self.inbox), str(self.root), recursive=True, event_filter=HEARD)
            observer.start()
        except BaseException:
            observer.unschedule_all()
            raise
        self._observer, self.mode = observer, mode

    def set_mode(self, mode: str, polling_s: float) -> bool:
        """For the next start. True when that is another than now."""
        changed = (mode, polling_s) != (self.wanted, self.polling_s)
        self.wanted, self.polling_s = mode, polling_s
        return changed

    def stop(self) -> None:
        logging.getLogger("watchdog").removeHandler(self._overflow)
        observer, self._observer, self.mode = self._observer, None, "none"
        if observer is not None and observer.is_alive():
            observer.stop()
            observer.join(5)

    def problem(self) -> str | None:
        """What is wrong with the watch now; None when it lives and still sees the folder it was set on."""
        if self._observer is None:
            return "not watching"
        try:
            if _identity(self.root) != self._identity:
                return "the folder is another one than before (mounted or made anew)"
        except OSError:
            return "the folder cannot be reached"
        emitters = self._observer.emitters
        if (
            not self._observer.is_alive()
            or not emitters
            or not all(emitter.is_alive() for emitter in emitters)
        ):
            return "the watcher has died"
        return None

    def _events_unlikely(self) -> bool:
        kind = file_system_type(self.root)
        if kind and kind.split(".")[0] in NETWORK_TYPES:
            self.note = f"the folder is on a network or shared file system ({kind}); it is polled"
            return True
        return False

    def _event_arrives(self) -> bool:
        """Make a hidden file in the folder and wait for its event. True also when none can be made."""
        for left in self.root.glob(f"{PROBE}*"):  # by a service that was killed at this very moment
            if is_abandoned(left.name):
                left.unlink(missing_ok=True)
        probe = self.root / private_name(PROBE)
        try:
            descriptor = os.open(probe, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except OSError:
            return True
        os.close(descriptor)
        try:
            limit = time.monotonic() + PROBE_S
            while time.monotonic() < limit:
                paths, requests = self.inbox.take()
                if str(probe) in paths or "scan" in requests:
                    self.inbox.ask("scan")
                    return True
                time.sleep(0.02)
            return False
        finally:
            probe.unlink(missing_ok=True)


def _native_observer() -> Any:
    """On Linux one that tells what was moved in from elsewhere from what is made there."""
    more: dict[str, Any] = {"generate_full_events": True} if sys.platform == "linux" else {}
    return Observer(**more)


def _polling_observer(interval_s: float) -> Any:
    """One that does not follow links, which could lead away, or round and round."""
    return PollingObserverVFS(os.lstat, os.scandir, polling_interval=interval_s)


def _identity(root: Path) -> tuple[int, int]:
    status = os.stat(root)
    return status.st_dev, status.st_ino


def _watch_error(error: OSError) -> str:
    if "inotify" in str(error) or error.errno in (24, 28):
        return (
            "the system's limit of watched folders is reached; the folder is polled instead "
            "(raise fs.inotify.max_user_watches and max_user_instances)"
        )
    return f"file events are not to be had ({error}); the folder is polled"


def has_loose_inodes(folder: Path) -> bool:
    """Does it lie where inode numbers and change times mean nothing?"""
    return (file_system_type(folder) or "").split(".")[0] in LOOSE_TYPES


def file_system_type(path: Path, mounts: Callable[[], list[Any]] | None = None) -> str | None:
    """Type of the file system that holds ``path``, lower case, from the mount table; None when unknown."""
    best, kind = "", None
    where = os.path.realpath(path)
    for mount in (mounts or (lambda: psutil.disk_partitions(all=True)))():
        point = mount.mountpoint.rstrip("/") or "/"
        if (where == point or where.startswith(point.rstrip("/") + "/")) and len(point) >= len(best):
            best, kind = point, mount.fstype.lower()
    return kind


def watch_limit() -> int | None:
    """How many folders may be watched (Linux); None when unknown."""
    try:
        return int(Path("/proc/sys/fs/inotify/max_user_watches").read_text())
    except (OSError, ValueError):
        return None
