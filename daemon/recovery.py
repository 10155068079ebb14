"""At start: finish what an earlier life had already made visible but not yet written down."""

from __future__ import annotations

import logging

from config.settings import Folders
from daemon.ledger import Ledger
from daemon.logs import note
from daemon.publish import STAGING

log = logging.getLogger("beatintake.recovery")


def finish_intents(ledger: Ledger, folders: Folders) -> int:
    """Each intent either happened (the folder is there, its staged form is not) or it did not. Returns how
    many did.
    """
    happened = 0
    for intent in ledger.intents():
        record = intent.record
        root = folders.ready if record.outcome == "ready" else folders.rejected
        staged = root / STAGING / intent.staged
        if not staged.exists() and (root / record.folder).is_dir():
            ledger.record(record, intent.path, intent.fingerprint)
            happened += 1
            note(log, logging.INFO, "completed after an interruption", drop=intent.path, folder=record.folder)
        else:
            ledger.drop_intent(record.sha256)
    return happened
