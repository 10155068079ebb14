"""The studio's folders: created where missing, and proved to be usable."""

from __future__ import annotations

import os
from pathlib import Path

from config.settings import Settings
from daemon.core.atomic import STAGING, discard, machine_error
from daemon.core.errors import FolderUnreachable
from daemon.core.private import is_abandoned


def make_state(settings: Settings) -> None:
    """Create the state folder where it is missing. Raises MachineError."""
    try:
        settings.folders.state.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise machine_error(error, settings.folders.state) from error


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


def clear_abandoned(settings: Settings) -> int:
    """Remove what processes that were killed left in the private folders. Returns how many."""
    folders = settings.folders
    staged = [path for root in (folders.ready, folders.rejected) for path in (root / STAGING).glob("*")]
    gone = [path for path in staged if is_abandoned(path.name)]
    for path in gone:
        discard(path)
    return len(gone)


def _prove_writable(folder: Path) -> None:
    probe = folder / f".beatintake-{os.getpid()}-probe"
    descriptor = os.open(probe, os.O_WRONLY | os.O_CREAT, 0o600)
    os.close(descriptor)
    probe.unlink()
