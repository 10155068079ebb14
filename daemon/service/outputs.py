"""The output folders must be those of last time: where a disk or share is away the work waits for it."""

from __future__ import annotations

import logging
import os
import socket
from contextlib import suppress
from typing import TYPE_CHECKING

from daemon.core.atomic import STAGING
from daemon.core.folders import make_folders
from daemon.core.logs import note
from daemon.core.studio import claim, other_outputs, require_outputs
from daemon.service.heartbeat import write_heartbeat
from daemon.service.systemd import notify

if TYPE_CHECKING:
    from daemon.service.service import Service

log = logging.getLogger("beatintake.outputs")
LOOK_S = 2.0


def await_outputs(service: Service) -> None:
    """At the start: wait, and say so. A single pass does not wait: it raises FolderUnreachable."""
    folders = service.settings.folders
    if service.once:
        require_outputs(folders)
    while text := other_outputs(folders):
        service.problems.raise_("outputs", text)
        facts = {"pid": os.getpid(), "host": socket.gethostname(), "state": "waiting", "healthy": False}
        with suppress(OSError):
            write_heartbeat(folders.state, {**facts, "problems": service.problems.texts()})
        notify(f"STATUS={text}", "EXTEND_TIMEOUT_USEC=60000000")
        service.sleep(LOOK_S)
    service.problems.clear("outputs")


def check_outputs(service: Service) -> None:
    """While it runs: stop the work when they are away, go on when they are back."""
    folders, away = service.settings.folders, "outputs" in service.problems.current
    if text := other_outputs(folders):
        service.problems.raise_("outputs", text)
        return
    if not all((root / STAGING).is_dir() for root in (folders.ready, folders.rejected)):
        note(log, logging.WARNING, "an output folder was removed and is made anew")
        make_folders(service.settings)
        claim(folders)
    if away:
        service.problems.clear("outputs")
        service.inbox.ask("scan")
