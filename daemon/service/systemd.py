"""Messages to the service manager over its notification socket (sd_notify protocol); silent without one."""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def notify(*lines: str) -> bool:
    """Send lines such as ``READY=1``, ``WATCHDOG=1``, ``STATUS=2 waiting``. True when there was a socket."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return False
    if address[0] == "@":
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
        channel.connect(address)
        channel.sendall("\n".join(lines).encode())
        return True
    return False


def watchdog_period_s() -> float | None:
    """Half of the period that the service manager expects a ping in; None when it expects none."""
    text = os.environ.get("WATCHDOG_USEC", "")
    owner = os.environ.get("WATCHDOG_PID", "")
    if not text.isdecimal() or (owner and owner != str(os.getpid())):
        return None
    return int(text) / 2_000_000
