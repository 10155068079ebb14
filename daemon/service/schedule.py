"""What happens by the clock. Jobs only leave requests in the inbox; the main loop does the work."""

from __future__ import annotations

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MISSED
from apscheduler.schedulers.background import BackgroundScheduler

from config.settings import Settings
from daemon.ingest.watch import Inbox

SWEEP_HOURS = 6


class Schedule:
    """Periodic full look, sweep, digest. Restart it to apply other settings."""

    def __init__(self, settings: Settings, inbox: Inbox) -> None:
        self._scheduler = BackgroundScheduler(
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )
        rescan = settings.arrival.rescan_seconds
        self._scheduler.add_job(inbox.ask, "interval", args=("scan",), seconds=rescan, id="rescan")
        self._scheduler.add_job(inbox.ask, "interval", args=("sweep",), hours=SWEEP_HOURS, id="sweep")
        if settings.digest.at is not None:
            hour, _, minute = settings.digest.at.partition(":")
            self._scheduler.add_job(
                inbox.ask, "cron", args=("digest",), hour=int(hour), minute=int(minute), id="digest"
            )
        self._scheduler.add_listener(
            lambda _: inbox.ask("schedule trouble"), EVENT_JOB_ERROR | EVENT_JOB_MISSED
        )

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
