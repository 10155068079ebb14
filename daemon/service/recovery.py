"""At the start: open the ledger, finish what an earlier life had begun, and remember what is done."""

from __future__ import annotations

import logging

from config.settings import Settings
from daemon.core.logs import note
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.grouping import DOUBTED
from daemon.ingest.incoming import Incoming
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.ledger.rebuild import open_or_rebuild
from daemon.pipeline.publication import Results
from daemon.service.active_drop import PREFIX
from daemon.service.housekeeping import clear_leftovers

log = logging.getLogger("beatintake.recovery")


def recover(settings: Settings, incoming: Incoming, arrivals: Arrivals) -> tuple[Ledger, str | None]:
    """The ledger, and what was wrong with it. Needs the lock: the private folders are then nobody's."""
    folders = settings.folders
    ledger, remark = open_or_rebuild(ledger_path(folders.state), folders.ready, folders.rejected)
    if remark:
        note(log, logging.WARNING, "ledger", text=remark)
    Results(folders, ledger).finish_all()
    interrupted = ledger.note_interrupted()
    leftovers = clear_leftovers(settings, PREFIX)
    if interrupted or leftovers:
        note(log, logging.INFO, "after an interruption", interrupted=interrupted, leftovers=leftovers)
    incoming.recall(ledger.drops(), ledger.packs())
    for path, stat_digest, sha256 in ledger.drops():
        if sha256 is not None and stat_digest != DOUBTED:
            arrivals.remember(path, stat_digest)
    return ledger, remark
