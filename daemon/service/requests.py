"""What others ask of the main loop: the scheduler and the watcher by name, the command line by file."""

from __future__ import annotations

import logging

from daemon.core.atomic import discard
from daemon.core.logs import note
from daemon.service import housekeeping
from daemon.service.control import pending_requests
from daemon.service.dispatcher import Dispatcher

log = logging.getLogger("beatintake.requests")


def sweep(dispatcher: Dispatcher, vanished: list[str]) -> None:
    """Remove leftovers; ``vanished``: drops that lie no more in the incoming folder."""
    housekeeping.sweep(dispatcher.settings, dispatcher.busy_folders())
    dispatcher.ledger.forget_drops(vanished)


def write_digest(dispatcher: Dispatcher) -> None:
    waiting = len(dispatcher.arrivals.entries)
    file = housekeeping.write_digest(dispatcher.settings, dispatcher.ledger, waiting)
    note(log, logging.INFO, "digest", file=file)


def grant_files(dispatcher: Dispatcher) -> bool:
    """Do what the command line asks for. True when a full look is due after it."""
    found = pending_requests(dispatcher.settings.folders.state)
    for path, request in found:
        for sha256 in request.get("retry", []):
            retry(dispatcher, sha256)
        path.unlink(missing_ok=True)  # only now: a request that fails is granted later
    return bool(found)


def retry(dispatcher: Dispatcher, sha256: str) -> None:
    """Forget a rejection, so that the drop is taken again at the next look."""
    ledger = dispatcher.ledger
    record = ledger.find(sha256)
    paths = [path for path, _, known in ledger.drops() if known == sha256]
    ledger.forget(sha256)
    for path in paths:
        dispatcher.arrivals.done.pop(path, None)
    if record and record.outcome == "rejected" and dispatcher.results.visible.holds(record):
        discard(dispatcher.results.folder_of(record))
    note(log, logging.INFO, "to be tried again", drop=", ".join(paths) or sha256[:12])
