"""What stands before the service can begin: folders that can be used, and signals that only set flags."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.errors import FolderUnreachable
from daemon.publish import STAGING, machine_error


@dataclass(slots=True)
class Flags:
    """Set by signal handlers, read by the main loop."""

    stop: int = 0  # how often a stop was asked for: the second time ends the patience
    reload: bool = False


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


def make_folders(settings: Settings) -> None:
    """Create what is missing; prove that outputs can be written. Raises MachineError naming the folder."""
    folders = settings.folders
    for folder in (folders.incoming, folders.ready, folders.rejected, folders.state):
        try:
            Path(folder).mkdir(parents=True, exist_ok=True)
            if folder in (folders.ready, folders.rejected):
                (folder / STAGING).mkdir(exist_ok=True)
            if folder is not folders.incoming:
                _prove_writable(folder)
        except OSError as error:
            raise machine_error(error, folder) from error
    if not os.access(folders.incoming, os.R_OK | os.X_OK):
        raise FolderUnreachable(str(folders.incoming), "it may not be read", "let the service read it")


def _prove_writable(folder: Path) -> None:
    probe = folder / f".beatintake-{os.getpid()}-probe"
    descriptor = os.open(probe, os.O_WRONLY | os.O_CREAT, 0o600)
    os.close(descriptor)
    probe.unlink()
