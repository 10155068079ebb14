"""What anybody can see of a service without asking it: does it live, is it paused? Light, for displays."""

from __future__ import annotations

from pathlib import Path

from daemon.core.regular import open_regular
from daemon.core.studio import incoming_key


def pause_path(state: Path) -> Path:
    return state / "paused"


def is_paused(state: Path) -> bool:
    return pause_path(state).exists()


def lock_path(state: Path, incoming: Path) -> Path:
    return state / f"service-{incoming_key(incoming)}.lock"


def is_locked(state: Path, incoming: Path) -> bool:
    """Does a living process of this machine hold the lock? Light: for status displays."""
    path = lock_path(state, incoming)
    try:
        import fcntl
    except ImportError:
        return path.exists() and _locked_by_library(path)
    try:
        with open_regular(path) as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                return True
    except FileNotFoundError:
        pass
    return False


def _locked_by_library(path: Path) -> bool:
    from filelock import FileLock, Timeout

    lock = FileLock(path)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return True
    lock.release()
    return False
