"""Signals that only set flags; the main loop acts on them."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any


@dataclass(slots=True)
class Flags:
    """Set by signal handlers, read by the main loop."""

    stop: int = 0  # how often a stop was asked for: the second time ends the patience
    reload: bool = False


class StopAsked(Exception):
    """While waiting at the start."""


@contextmanager
def signals(flags: Flags) -> Iterator[None]:
    """SIGTERM and SIGINT stop, SIGHUP reloads; the handlers of before come back at the end."""

    def stop(_number: int, _frame: Any) -> None:
        flags.stop += 1

    def reload(_number: int, _frame: Any) -> None:
        flags.reload = True

    handlers = {signal.SIGTERM: stop, signal.SIGINT: stop}
    if hasattr(signal, "SIGHUP"):
        handlers[signal.SIGHUP] = reload
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
