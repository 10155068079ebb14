"""What others ask of the main loop: the scheduler and the watcher by name, the command line by file."""

from __future__ import annotations

import logging
import os

from daemon.core.atomic import discard
from daemon.core.logs import note
from daemon.decode.several import ANSWERS
from daemon.pipeline.answers import store_answer
from daemon.service import housekeeping
from daemon.service.control import pending_requests
from daemon.service.dispatcher import Dispatcher
from daemon.service.order import set_order

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
        for sha256 in request.get("answered", []):
            judge_again(dispatcher, sha256)
        for done in set_order(dispatcher.settings.folders.state, dispatcher.arrivals, request):
            note(log, logging.INFO, "order", drop=done)
        path.unlink(missing_ok=True)  # only now: a request that fails is granted later
    return answers_by_file(dispatcher) or bool(found)


def answers_by_file(dispatcher: Dispatcher) -> bool:
    """Take the answers that lie as stems.txt or beats.txt beside a question. True when there was one."""
    found = False
    for asked in dispatcher.ledger.questions():
        folder = dispatcher.results.folder_of(asked)
        answer = next((word for word in ANSWERS if os.path.lexists(folder / f"{word}.txt")), None)
        if answer is not None:
            store_answer(dispatcher.settings.folders.state, asked.sha256, asked.name, answer)
            judge_again(dispatcher, asked.sha256)
            found = True
    return found


def judge_again(dispatcher: Dispatcher, sha256: str) -> None:
    """A person said what a folder or zip is: it is taken again. What is published stays."""
    record = dispatcher.ledger.find(sha256)
    if record is None:
        return
    paths = _forget(dispatcher, sha256)
    for path in paths:
        dispatcher.settling.incoming.forget(path)
    if record.summary.get("question"):
        discard(dispatcher.results.folder_of(record))
    note(log, logging.INFO, "taken again after an answer", drop=", ".join(paths) or sha256[:12])


def _forget(dispatcher: Dispatcher, sha256: str) -> list[str]:
    """What was done with this content; returns the places that hold it, which are taken at the next look."""
    paths = dispatcher.ledger.paths_of(sha256)
    dispatcher.ledger.forget(sha256)
    for path in paths:
        dispatcher.arrivals.done.pop(path, None)
    return paths


def retry(dispatcher: Dispatcher, sha256: str) -> None:
    """Forget a rejection, so that the drop is taken again at the next look."""
    record = dispatcher.ledger.find(sha256)
    paths = _forget(dispatcher, sha256)
    if record and record.outcome == "rejected" and dispatcher.results.visible.holds(record):
        discard(dispatcher.results.folder_of(record))
    note(log, logging.INFO, "to be tried again", drop=", ".join(paths) or sha256[:12])
