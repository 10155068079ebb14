"""The service: wiring of watcher, arrivals, workers, ledger and scheduler, and the one loop that drives them.

Threads (watcher, scheduler) and signals only leave hints; everything is decided and written in the main loop.
Order at the start: lock and workers (`entry`), folders, ledger, what an earlier life left, watcher, first
full look, READY when a worker is warm. Order at the end: no new work, running drops finished or killed and
forgotten, scheduler, watcher, workers, lock.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from contextlib import suppress
from pathlib import Path

from config.settings import Settings
from daemon.core.errors import MachineError
from daemon.core.exitcodes import OK, SOME_FAILED
from daemon.core.folders import make_folders
from daemon.core.logs import note
from daemon.core.problems import Problems
from daemon.core.studio import claim
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.incoming import Incoming
from daemon.ingest.pending import Phase
from daemon.ingest.settling import Settling
from daemon.ingest.watch import Inbox, Watch, has_loose_inodes
from daemon.ledger.ledger import Record
from daemon.pipeline.steps import RUN
from daemon.service.board_refresh import PERIOD_S, BoardRefresh
from daemon.service.control import PAUSED, why_paused
from daemon.service.correction_pickup import CorrectionPickup
from daemon.service.disk_space import has_space
from daemon.service.dispatcher import Dispatcher
from daemon.service.entry import Gate
from daemon.service.notification import notify_about
from daemon.service.order import restore_order
from daemon.service.outputs import await_outputs, check_outputs
from daemon.service.preemption import Preemption
from daemon.service.recovery import recover
from daemon.service.reload import reload
from daemon.service.repair import replace_ledger
from daemon.service.requests import grant_files, sweep, write_digest
from daemon.service.schedule import Schedule
from daemon.service.signals import StopAsked
from daemon.service.supervisor import LIVENESS_S, Supervisor
from daemon.service.systemd import notify

log = logging.getLogger("beatintake.service")
STOP_GRACE_S = 20.0
ONCE_PATIENCE_S = 60.0
PROGRESS_S = 0.3  # changes are visible in the health file after this


class Service:
    """One life of the service."""

    def __init__(
        self, settings: Settings, gate: Gate, config_path: Path | None = None, once: bool = False
    ) -> None:
        self.settings = settings
        self.config_path = config_path
        self.once = once
        self.flags, self.lock, self.pool = gate.flags, gate.lock, gate.pool
        self.inbox = Inbox()
        self.problems = Problems()
        self.state = "starting"

    # --- life ---------------------------------------------------------------------------------------------

    def run(self) -> int:
        """Inside the gate. Returns the exit code."""
        try:
            await_outputs(self)
            make_folders(self.settings)
            self.lock.take_lease(self.sleep)
            claim(self.settings.folders)
            self._open()
            self._loop()
            return SOME_FAILED if self.once and self.dispatcher.rejected_count else OK
        except StopAsked:
            return OK
        finally:
            self._shut()

    def sleep(self, seconds: float) -> None:
        """Wait at the start. Raises StopAsked."""
        time.sleep(seconds)
        if self.flags.stop:
            raise StopAsked

    def _open(self) -> None:
        settings, folders = self.settings, self.settings.folders
        incoming = Incoming(folders.incoming, settings.arrival)
        incoming.loose = has_loose_inodes(folders.incoming)
        self.arrivals = Arrivals(settings.arrival.settle_seconds)
        self.settling = Settling(incoming, self.arrivals, self.problems)
        self.ledger, remark = recover(settings, incoming, self.arrivals)
        restore_order(folders.state, self.arrivals)
        self.dispatcher = Dispatcher(
            settings, self.settling, self.arrivals, self.ledger, self.pool, self.problems, RUN, self._result
        )
        self.preemption = Preemption(self.dispatcher, self.arrivals, self.pool)
        self.board = BoardRefresh(settings, self.pool)
        self.board.not_before = time.monotonic() + PERIOD_S  # drops that wait already go first
        self.corrections = CorrectionPickup(settings, self.pool)
        arrival = settings.arrival
        self.watch = Watch(folders.incoming, arrival.watch, arrival.polling_seconds, self.inbox)
        self.supervisor = Supervisor(
            folders.state, self.arrivals, self.dispatcher, self.watch, self.problems, self.lock
        )
        if remark:
            self.supervisor.tell(remark)
        self.supervisor.start_watch()
        self.schedule = Schedule(settings, self.inbox)
        self.schedule.start()
        self.inbox.ask("scan")
        self.inbox.ask("sweep")

    def _loop(self) -> None:
        self._beat(time.monotonic(), force=True)
        while not self.flags.stop and self.state == "starting":
            if self.pool.failed_starts >= 3:
                raise MachineError("worker process", "it cannot be started", "run 'beatintake doctor'")
            self._turn()
        while not self.flags.stop and not self.supervisor.ousted and not (self.once and self._nothing_left()):
            self._turn()
        self._finish_running()

    def _turn(self) -> None:
        """One tick. Trouble of the machine (full disk, locked ledger) is shown, and the next one goes on."""
        try:
            self._tick()
        except (MachineError, OSError, sqlite3.OperationalError) as error:
            self._trouble(error)
        except sqlite3.DatabaseError as error:
            try:
                replace_ledger(self, error)
            except (MachineError, OSError, sqlite3.Error) as trouble:
                self._trouble(trouble)  # the closed ledger leads here again
        else:
            self.problems.clear("service")

    def _trouble(self, error: Exception) -> None:
        self.problems.raise_("service", str(error))
        self.inbox.ask("scan")  # hints may have been lost
        time.sleep(0.5)

    def _say_ready(self) -> None:
        self.state = "running"
        note(log, logging.INFO, "running", incoming=self.settings.folders.incoming, watch=self.watch.mode)
        notify("READY=1", "STATUS=watching")
        self._beat(time.monotonic(), force=True)

    def _finish_running(self) -> None:
        """Let the running drops end within the grace time; a second signal ends the patience."""
        self.state = "stopping"
        note(log, logging.INFO, "stopping", running=len(self.dispatcher.active))
        notify("STOPPING=1")
        limit, asked = time.monotonic() + STOP_GRACE_S, self.flags.stop
        self.pool.resume_all()
        while self.dispatcher.active and time.monotonic() < limit and self.flags.stop == asked:
            for event in self.pool.poll(0.2):
                self.dispatcher.handle(event)
            self.dispatcher.call_off_pending()
            self._beat(time.monotonic())
        self.pool.stop()
        self.dispatcher.abandon_all()

    def _shut(self) -> None:
        """Also after a failure half-way through the start."""
        for name, action in (("schedule", "stop"), ("watch", "stop"), ("pool", "stop"), ("ledger", "close")):
            part = getattr(self, name, None)
            if part is not None:
                with suppress(Exception):
                    getattr(part, action)()
        self.state = "stopped"
        if hasattr(self, "supervisor"):
            self._beat(time.monotonic(), force=True)
        note(log, logging.INFO, "stopped")

    # --- one turn of the loop -----------------------------------------------------------------------------

    def _tick(self) -> None:
        for event in self.pool.poll(self._timeout(), [self.inbox.wake]):
            self.dispatcher.handle(event)
            self.board.handle(event)
            self.corrections.handle(event)
            self.supervisor.timers.soon("beat", time.monotonic() + PROGRESS_S)
        now = time.monotonic()
        paths, requests = self.inbox.take()
        self._obey(requests, now)
        self.settling.hints(paths, now)
        self.settling.relook(now)
        self.settling.settle(now)
        self.dispatcher.clear_troubles()
        self.dispatcher.submit_pending()
        if self.state == "starting" and self.pool.idle:
            self._say_ready()
        if self.state == "running":
            self._dispatch(now)
        if self.supervisor.check_watch(now):
            self.inbox.ask("scan")
        if self.supervisor.timers.due("ledger", now, LIVENESS_S) and not self.ledger.in_place():
            raise sqlite3.DatabaseError("its file was removed or replaced")
        if self.supervisor.timers.due("outputs", now, LIVENESS_S):
            check_outputs(self)
        self._beat(now)
        if self.flags.reload:
            self.flags.reload = False
            reload(self)

    def _timeout(self) -> float:
        if any(entry.phase is Phase.ARRIVING for entry in self.arrivals.entries.values()):
            return self.settling.relook_s
        return 0.5 if self.arrivals.entries else 1.0

    def _obey(self, requests: set[str], now: float) -> None:
        # also when overdue: the scheduler goes by the wall clock, which may jump
        if "scan" in requests or now >= self.supervisor.timers.next.get("scan", 0.0):
            self.supervisor.timers.next["scan"] = now + self.settings.arrival.rescan_seconds
            self.settling.scan(now)
        if "sweep" in requests:
            sweep(self.dispatcher, self.settling.vanished(path for path, _, _ in self.ledger.drops()))
        if "digest" in requests:
            write_digest(self.dispatcher)
        if "schedule trouble" in requests:
            note(log, logging.WARNING, "a scheduled job was missed or failed")
        if self.supervisor.timers.due("requests", now, 1.0) and grant_files(self.dispatcher):
            self.inbox.ask("scan")
            self.board.wanted = True  # a question may have been answered

    def _dispatch(self, now: float) -> None:
        if "outputs" in self.problems.current:
            return
        paused = why_paused(self.settings)
        if paused == PAUSED:
            self.pool.suspend_all()
        else:
            self.pool.resume_all(but=self.preemption.held.id if self.preemption.held else None)
        self.preemption.step(now, allowed=paused is None)
        self.board.step(now, not self.arrivals.entries, self.dispatcher.known_count)
        if paused != PAUSED:
            self.corrections.step(now, drops_wait=bool(self.arrivals.entries))
        while paused is None and self.pool.idle > self.dispatcher.pending:
            entry = self.arrivals.next_waiting(now, self.preemption.below_bytes)
            if entry is None or not has_space(self.settings, self.problems, entry.candidate.size):
                return
            self.dispatcher.begin(entry)
            self.supervisor.timers.soon("beat", now + PROGRESS_S)

    def _nothing_left(self) -> bool:
        """For a single pass: nothing runs or waits, and what arrives is held up by others."""
        busy = self.dispatcher.active or self.board.busy or self.corrections.busy
        return not busy and self.arrivals.stuck(time.monotonic(), ONCE_PATIENCE_S)

    def _beat(self, now: float, force: bool = False) -> None:
        self.supervisor.beat(now, self.state, why_paused(self.settings), force)

    def _result(self, record: Record, path: str) -> None:
        self.board.wanted = True
        notify_about(self.settings.notify, record, self.settings.folders.ready)
