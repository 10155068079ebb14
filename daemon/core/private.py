"""Names of private files and folders, by which anybody can tell whether their maker still lives."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import socket
from functools import lru_cache

MADE_BY = re.compile(r"([0-9a-f]{4})-(\d{1,10})-[0-9a-f]{8}")


def private_name(kind: str) -> str:
    """``kind``, machine, process and chance: short, and never met twice."""
    return f"{kind}{_machine()}-{os.getpid()}-{secrets.token_hex(4)}"


def is_abandoned(name: str) -> bool:
    """Was it made on this machine by a process that has ended?"""
    maker = MADE_BY.search(name)
    return maker is not None and maker[1] == _machine() and not _lives(int(maker[2]))


def is_in_use(name: str) -> bool:
    """Was it made on this machine by a process that may still live?"""
    maker = MADE_BY.search(name)
    return maker is not None and maker[1] == _machine() and _lives(int(maker[2]))


@lru_cache(maxsize=1)
def _machine() -> str:
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:4]


def _lives(pid: int) -> bool:
    import psutil

    return bool(psutil.pid_exists(pid))
