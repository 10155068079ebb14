"""A changed configuration, taken over while the service runs (SIGHUP)."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from config.load import InvalidConfig, load_settings
from config.settings import Settings
from daemon.core.logs import note
from daemon.service.entry import worker_setup
from daemon.service.schedule import Schedule
from daemon.service.systemd import notify

if TYPE_CHECKING:
    from daemon.service.service import Service

log = logging.getLogger("beatintake.reload")


def reload(service: Service) -> None:
    """Take a changed configuration when it is valid as a whole; else keep the one that runs."""
    notify("RELOADING=1")
    try:
        fresh = load_settings(service.config_path)
    except (InvalidConfig, OSError) as error:
        note(log, logging.ERROR, "the changed configuration is not valid; the old stays", reason=error)
    else:
        if fresh.folders != service.settings.folders:
            note(log, logging.ERROR, "other folders need a restart; the old configuration stays")
        else:
            _apply(service, fresh)
    notify("READY=1")


def _apply(service: Service, fresh: Settings) -> None:
    service.settings = service.dispatcher.settings = fresh
    service.corrections.settings = service.board.settings = fresh
    service.settling.incoming.settings = fresh.arrival
    service.arrivals.settle_s = fresh.arrival.settle_seconds
    service.pool.count, service.pool.setup = fresh.work.max_workers, worker_setup(fresh)
    if service.watch.set_mode(fresh.arrival.watch, fresh.arrival.polling_seconds):
        service.watch.stop()
        service.supervisor.start_watch()
    service.schedule.stop()
    service.schedule = Schedule(fresh, service.inbox)
    service.schedule.start()
    service.inbox.ask("scan")
    note(log, logging.INFO, "configuration taken over")
