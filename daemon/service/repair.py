"""The ledger, or the whole state folder, was damaged or removed while the service runs: made again from the
folders.
"""

from __future__ import annotations

import logging
import sqlite3
from typing import TYPE_CHECKING

from daemon.core.logs import note
from daemon.core.studio import claim
from daemon.service.presence import is_locked
from daemon.service.recovery import recover

if TYPE_CHECKING:
    from daemon.service.service import Service

log = logging.getLogger("beatintake.repair")


def replace_ledger(service: Service, error: sqlite3.DatabaseError) -> None:
    """Call off what runs, read the folders, go on. What is found to be lost is told in ``status``."""
    note(log, logging.ERROR, "the ledger is damaged", reason=error)
    state, incoming = service.settings.folders.state, service.settings.folders.incoming
    service.pool.stop()
    service.ledger.close()
    state.mkdir(parents=True, exist_ok=True)
    if not is_locked(state, incoming):
        service.lock.renew()
        service.supervisor.tell(f"{state} was removed and has been made anew")
    claim(service.settings.folders)
    service.ledger, remark = recover(service.settings, service.settling.incoming, service.arrivals)
    if remark:
        service.supervisor.tell(remark)
    service.dispatcher.use_ledger(service.ledger)
    service.dispatcher.abandon_all()
    service.inbox.ask("scan")
