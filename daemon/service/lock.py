"""One service for one pair of folders, on this machine and across machines.

Two guards: an OS file lock in the state folder, keyed by the incoming folder, which the kernel lets go when
its holder dies however that happens; and a lease file in ready/.staging for everybody who shares the
folders (other state folders, other machines). The lease is a counter that its holder moves on every few
seconds. Nobody compares clocks: who wants to take over watches the counter for ``LEASE_DEAD_S`` and acts
only when it stands still. A third guards against a second service with other outputs (`IncomingGuard`).
"""

from __future__ import annotations

import json
import logging
import os
import secrets
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from config.places import guards_path
from config.settings import Settings
from daemon.core.atomic import STAGING, atomic_write, machine_error
from daemon.core.errors import AlreadyRunning, FolderUnreachable
from daemon.core.logs import note
from daemon.core.oserrors import plainly
from daemon.core.regular import read_regular
from daemon.core.studio import incoming_key
from daemon.core.text import valid
from daemon.service.presence import lock_path

log = logging.getLogger("beatintake.lock")
LEASE_BEAT_S = 10.0
LEASE_DEAD_S = 60.0
LEASE_NAME = "claim.json"
LEASE_MOST_BYTES = 1 << 16


class ServiceLock:
    """Held for the life of the service. ``acquire`` raises AlreadyRunning with the holder's name."""

    def __init__(self, state: Path, incoming: Path, ready: Path) -> None:
        from filelock import FileLock

        self._file = FileLock(lock_path(state, incoming))
        self._incoming = incoming
        self._lease = ready / STAGING / LEASE_NAME
        self._me: dict[str, Any] = {
            "id": secrets.token_hex(8),
            "host": socket.gethostname(),
            "pid": os.getpid(),
            "started": _started(os.getpid()),
            "incoming": valid(os.fspath(incoming.resolve())),
            "beat": 0,
        }

    def acquire(self, sleep: Callable[[float], None] = time.sleep, dead_s: float = LEASE_DEAD_S) -> None:
        """The file lock and the lease; nothing is held after a failure."""
        self.hold()
        try:
            self.take_lease(sleep, dead_s)
        except BaseException:
            self._file.release()
            raise

    def hold(self) -> None:
        """The file lock alone: enough to be the only one on this machine with this state folder."""
        from filelock import Timeout

        try:
            self._file.acquire(timeout=0.5)  # 'status' may be trying the lock this very moment
        except Timeout:
            raise self._refusal(read_lease(self._lease)) from None
        except OSError as error:
            raise machine_error(error, self._file.lock_file) from error

    def take_lease(self, sleep: Callable[[float], None] = time.sleep, dead_s: float = LEASE_DEAD_S) -> None:
        """Needs the output folders."""
        self._lease.parent.mkdir(parents=True, exist_ok=True)
        other = read_lease(self._lease)
        if other is not None and _alive_here(other):
            raise self._refusal(other)
        foreign = other is not None and other.get("host") != self._me["host"]
        if other is not None and foreign:
            note(
                log,
                logging.INFO,
                "another machine was here; does it live?",
                host=other.get("host"),
                seconds=dead_s,
            )
            for _ in range(max(1, round(dead_s))):
                sleep(1.0)
                seen = read_lease(self._lease)
                if seen is None:
                    break
                if (seen.get("id"), seen.get("beat")) != (other.get("id"), other.get("beat")):
                    raise self._refusal(seen)
        self._write()
        if foreign:
            sleep(2.0)  # two that take over at once: the last writer has it
        if (read_lease(self._lease) or {}).get("id") != self._me["id"]:
            raise self._refusal(read_lease(self._lease))

    def beat(self) -> None:
        """Move the lease on. Raises AlreadyRunning when another machine has taken over meanwhile."""
        seen = read_lease(self._lease)
        if seen is not None and seen.get("id") != self._me["id"]:
            raise self._refusal(seen)
        self._me["beat"] += 1
        self._write()

    def renew(self) -> None:
        """Hold a lock that others see, after the state folder was removed. Raises AlreadyRunning."""
        from filelock import Timeout

        self._file.release()
        try:
            self._file.acquire(timeout=0.5)
        except Timeout:
            raise self._refusal(None) from None

    def release(self) -> None:
        if (read_lease(self._lease) or {}).get("id") == self._me["id"]:
            self._lease.unlink(missing_ok=True)
        self._file.release()

    def _write(self) -> None:
        try:
            atomic_write(self._lease, json.dumps(self._me).encode(), durable=False)
        except OSError as error:
            raise FolderUnreachable(
                str(self._lease.parent), f"it cannot be written ({plainly(error)})", "make it writable"
            ) from error

    def _refusal(self, other: dict[str, Any] | None) -> AlreadyRunning:
        holder = f"process {other.get('pid')} on {other.get('host')}" if other else "another process"
        return AlreadyRunning(
            str(self._incoming),
            f"another beatintake service already works on this folder ({holder})",
            "stop that one first; if its machine is off, start again in a minute",
        )


class IncomingGuard:
    """One service of this account for one incoming folder, whatever its outputs and state are.

    Where the guards cannot be kept (a read-only home) there is none; what shares ``ready`` meets the lease.
    """

    def __init__(self, settings: Settings) -> None:
        from filelock import FileLock

        self._settings = settings
        self._holder = guards_path() / f"{incoming_key(settings.folders.incoming)}.json"
        self._file = FileLock(self._holder.with_suffix(".lock"))

    def acquire(self) -> None:
        """Raises AlreadyRunning unless ``arrival.shared`` asks for a second service."""
        from filelock import Timeout

        if self._settings.arrival.shared:
            return
        try:
            self._holder.parent.mkdir(parents=True, exist_ok=True)
            self._file.acquire(timeout=0.5)
            facts = {"pid": os.getpid(), "ready": valid(os.fspath(self._settings.folders.ready))}
            atomic_write(self._holder, json.dumps(facts).encode(), durable=False)
        except Timeout:
            raise self._refusal() from None
        except OSError as error:
            note(log, logging.WARNING, "cannot see other services of this folder", reason=error)

    def release(self) -> None:
        self._file.release()

    def _refusal(self) -> AlreadyRunning:
        other = read_lease(self._holder) or {}
        return AlreadyRunning(
            str(self._settings.folders.incoming),
            f"another beatintake service already works on this folder (process {other.get('pid')}), "
            f"with its results in {other.get('ready')}",
            "stop that one first; to work with both, set 'arrival: {shared: true}' for this one",
        )


def read_lease(path: Path) -> dict[str, Any] | None:
    try:
        lease = json.loads(read_regular(path, LEASE_MOST_BYTES))
    except (OSError, ValueError):
        return None
    return lease if isinstance(lease, dict) else None


def _alive_here(lease: dict[str, Any]) -> bool:
    """Is the lease's holder a living process of this machine (not a later one with the same number)?"""
    pid = lease.get("pid")
    if lease.get("host") != socket.gethostname() or not isinstance(pid, int) or pid == os.getpid():
        return False
    return _started(pid) is not None and _started(pid) == lease.get("started")


def _started(pid: int) -> float | None:
    import psutil

    try:
        process = psutil.Process(pid)
        return None if process.status() == psutil.STATUS_ZOMBIE else round(process.create_time(), 1)
    except psutil.Error:
        return None
