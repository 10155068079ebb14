"""The service: wiring of watcher, arrivals, workers, ledger and scheduler, and the one loop that drives them.

Threads (watcher, scheduler, signals) only leave hints in the inbox; everything is decided and written in
the main loop. Order at the start: folders, lock, ledger, what an earlier life left, workers, watcher, first
full look, READY. Order at the end: no new work, running drops finished or killed and forgotten, watcher,
scheduler, workers, lock.
"""

from __future__ import annotations

import logging
import os
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon import housekeeping
from daemon.arrivals import Arrivals, Phase
from daemon.control import is_paused, take_wishes
from daemon.desk import JOB_PREFIX, RUN, Desk
from daemon.door import Door
from daemon.errors import AlreadyRunning, BeatintakeError, FolderUnreachable, MachineError
from daemon.health import Problems, write_health
from daemon.incoming import Incoming
from daemon.ledger import Record, ledger_path, open_or_rebuild
from daemon.lock import CLAIM_BEAT_S, ServiceLock
from daemon.logs import note, set_up
from daemon.notify_systemd import notify
from daemon.publish import STAGING, machine_error
from daemon.quiet import is_quiet
from daemon.recovery import finish_intents
from daemon.schedule import Schedule
from daemon.snapshot import snapshot
from daemon.tell import tell
from daemon.watch import Inbox, Watch
from daemon.worker_process import Setup
from daemon.workers import WorkerPool

log = logging.getLogger("beatintake.service")
EXIT_OK, EXIT_SOME_FAILED = 0, 3
STOP_GRACE_S = 20.0
HEARTBEAT_S = 5.0
LIVENESS_S = 3.0
WARM_UP = "daemon.warm:warm_up"


class Service:
    """One life of the service. ``run`` returns the exit code."""

    def __init__(self, settings: Settings, config_path: Path | None = None, once: bool = False) -> None:
        self.settings = settings
        self.config_path = config_path
        self.once = once
        self.run_function = RUN
        self.warm_up: str | None = WARM_UP
        self.inbox = Inbox()
        self.problems = Problems()
        self.state = "starting"
        self.stop_signals = 0
        self.reload_wanted = False
        self._next: dict[str, float] = {}

    # --- life ---------------------------------------------------------------------------------------------

    def run(self) -> int:
        folders = self.settings.folders
        make_folders(self.settings)
        self.lock = ServiceLock(folders.state, folders.incoming, folders.ready)
        self.lock.acquire()
        try:
            self._open()
            self._loop()
            return EXIT_SOME_FAILED if self.once and self.desk.rejected_count else EXIT_OK
        finally:
            self._shut()

    def _open(self) -> None:
        settings, folders = self.settings, self.settings.folders
        self.ledger, remark = open_or_rebuild(ledger_path(folders.state), folders.ready, folders.rejected)
        if remark:
            note(log, logging.WARNING, "ledger", text=remark)
        finish_intents(self.ledger, folders)
        interrupted = self.ledger.note_interrupted()
        leftovers = housekeeping.clear_staging(settings, JOB_PREFIX)
        if interrupted or leftovers:
            note(log, logging.INFO, "after an interruption", interrupted=interrupted, leftovers=leftovers)
        self.pool = WorkerPool(settings.work.max_workers, self._worker_setup())
        self.pool.start()
        incoming = Incoming(folders.incoming, settings.arrival)
        self.arrivals = Arrivals(settings.arrival.settle_seconds)
        for path, mark, sha256 in self.ledger.drops():
            if sha256 is None:
                incoming.split[path] = mark
            else:
                self.arrivals.remember(path, mark)
        self.door = Door(incoming, self.arrivals, self.problems)
        self.desk = Desk(
            settings,
            incoming,
            self.arrivals,
            self.ledger,
            self.pool,
            self.problems,
            self.run_function,
            self._result,
        )
        self.watch = Watch(
            folders.incoming, settings.arrival.watch, settings.arrival.polling_seconds, self.inbox
        )
        self._start_watch()
        self.schedule = Schedule(settings, self.inbox)
        self.schedule.start()
        self.inbox.ask("scan")

    def _worker_setup(self) -> Setup:
        state, limits = self.settings.folders.state, self.settings.limits
        return Setup(
            memory_bytes=limits.job_memory_mb << 20,
            nice=self.settings.work.nice,
            cache=state / "cache",
            stderr=state / "logs" / "worker.stderr",
            warm_up=self.warm_up,
        )

    def _loop(self) -> None:
        self._beat(time.monotonic(), force=True)
        while not self.stop_signals and not self._warm():
            self._tick(work=False)
        if not self.stop_signals:
            self.state = "running"
            note(log, logging.INFO, "running", incoming=self.settings.folders.incoming, watch=self.watch.mode)
            notify("READY=1", "STATUS=watching")
        while not self.stop_signals and not (self.once and self._nothing_left()):
            self._tick()
        self._finish_running()

    def _warm(self) -> bool:
        if self.pool.failed_starts >= 3:
            raise MachineError("worker process", "it cannot be started", "run 'beatintake doctor'")
        return self.pool.idle > 0

    def _finish_running(self) -> None:
        """Let the running drops end within the grace time; a second signal ends the patience."""
        self.state = "stopping"
        note(log, logging.INFO, "stopping", running=len(self.desk.jobs))
        notify("STOPPING=1")
        limit = time.monotonic() + STOP_GRACE_S
        signals = self.stop_signals
        for job_id in self.pool.running:
            self.pool.resume(job_id)
        while self.desk.jobs and time.monotonic() < limit and self.stop_signals == signals:
            for report in self.pool.poll(0.2):
                self.desk.handle(report)
            self.desk.submit_pending()
            self._beat(time.monotonic())
        self.pool.stop()
        self.desk.abandon_all()

    def _shut(self) -> None:
        """Also after a failure half-way through the start."""
        for name, action in (("schedule", "stop"), ("watch", "stop"), ("pool", "stop"), ("ledger", "close")):
            part = getattr(self, name, None)
            if part is not None:
                with suppress(Exception):
                    getattr(part, action)()
        self.state = "stopped"
        if hasattr(self, "desk"):
            self._beat(time.monotonic(), force=True)
        self.lock.release()
        note(log, logging.INFO, "stopped")

    # --- one turn of the loop -----------------------------------------------------------------------------

    def _tick(self, work: bool = True) -> None:
        for report in self.pool.poll(self._timeout(), [self.inbox.wake]):
            self.desk.handle(report)
        now = time.monotonic()
        paths, wishes = self.inbox.take()
        self._obey(wishes, now)
        self.door.hints(paths, now)
        self.door.relook(now)
        self.door.settle(now)
        self.desk.submit_pending()
        if work:
            self._dispatch(now)
        self._check_watch(now)
        self._beat(now)
        if self.reload_wanted:
            self._reload()

    def _timeout(self) -> float:
        if self.arrivals.in_phase(Phase.ARRIVING):
            return self.door.relook_s
        return 0.5 if self.arrivals.entries else 1.0

    def _obey(self, wishes: set[str], now: float) -> None:
        overdue = now >= self._next.get("scan", 0.0) + self.settings.arrival.rescan_seconds
        if "scan" in wishes or overdue:  # overdue: the scheduler goes by the wall clock, which may jump
            self._next["scan"] = now
            self.door.scan(now)
        if "sweep" in wishes:
            housekeeping.sweep(
                self.settings, {job.staging.name for job in self.desk.jobs.values() if job.staging}
            )
        if "digest" in wishes:
            waiting = len(self.arrivals.entries)
            note(
                log,
                logging.INFO,
                "digest",
                file=housekeeping.write_digest(self.settings, self.ledger, waiting),
            )
        if "schedule trouble" in wishes:
            note(log, logging.WARNING, "a scheduled job was missed or failed")
        if self._due("wishes", now, 1.0):
            self._grant(take_wishes(self.settings.folders.state))

    def _grant(self, wishes: list[dict[str, list[str]]]) -> None:
        for wish in wishes:
            for sha256 in wish.get("retry", []):
                self.desk.retry(sha256)
            self.inbox.ask("scan")

    def _due(self, name: str, now: float, period_s: float) -> bool:
        if now < self._next.get(name, 0.0):
            return False
        self._next[name] = now + period_s
        return True

    def _dispatch(self, now: float) -> None:
        while self.pool.idle > self.desk.pending and self.why_paused() is None:
            entry = self.arrivals.next_waiting(now)
            if entry is None or not self.desk.has_space(entry):
                return
            self.desk.begin(entry)
            self._next["beat"] = min(self._next.get("beat", 0.0), now + 0.3)

    def why_paused(self) -> str | None:
        if is_paused(self.settings.folders.state):
            return "paused by command"
        clock = time.localtime()
        if is_quiet(clock.tm_hour * 60 + clock.tm_min, self.settings.work.quiet_hours):
            return "quiet hours"
        return None

    def _nothing_left(self) -> bool:
        """For a single pass: nothing runs or waits, and what arrives is held up by others."""
        entries = self.arrivals.entries.values()
        now = time.monotonic()
        return not self.desk.jobs and all(
            entry.phase is Phase.ARRIVING and (entry.why or now - entry.first_seen > 60) for entry in entries
        )

    def _result(self, record: Record, path: str) -> None:
        tell(self.settings.notify, record)

    # --- watching over the watcher, and over ourselves ----------------------------------------------------

    def _start_watch(self) -> None:
        try:
            self.watch.start()
        except OSError as error:
            self.problems.raise_("incoming", f"{self.watch.root}: cannot be reached ({error.strerror})")
            return
        if self.watch.note:
            note(log, logging.WARNING, "watching by polling", reason=self.watch.note)

    def _check_watch(self, now: float) -> None:
        if not self._due("watch", now, LIVENESS_S):
            return
        trouble = self.watch.problem()
        if trouble is None:
            self.problems.clear("watch")
            return
        self.problems.raise_("watch", f"{self.watch.root}: {trouble}; starting to watch anew")
        self.watch.stop()
        self._start_watch()
        if self.watch.problem() is None:
            self.problems.clear("watch")
            self.inbox.ask("scan")

    def _beat(self, now: float, force: bool = False) -> None:
        if not force and not self._due("beat", now, HEARTBEAT_S):
            return
        paused = self.why_paused()
        facts = snapshot(self.arrivals, self.desk, self.watch, self.problems, self.state, paused)
        with suppress(OSError):  # a full disk must not stop the heart
            write_health(self.settings.folders.state, facts)
        text = f"{facts['waiting_count']} waiting, {len(facts['running'])} running" + (
            f", {paused}" if paused else ""
        )
        notify(f"STATUS={text}", *(["WATCHDOG=1"] if "watch" not in self.problems.current else []))
        if self._due("claim", now, CLAIM_BEAT_S):
            self._beat_claim()

    def _beat_claim(self) -> None:
        try:
            self.lock.beat()
            self.problems.clear("claim")
        except AlreadyRunning as error:
            note(log, logging.ERROR, "another machine has taken over; stopping", reason=error)
            self.stop_signals += 1
        except BeatintakeError as error:
            self.problems.raise_("claim", str(error))

    # --- settings -----------------------------------------------------------------------------------------

    def _reload(self) -> None:
        """Take a changed configuration when it is valid as a whole; else keep the one that runs."""
        self.reload_wanted = False
        from config.load import InvalidConfig, load_settings

        notify("RELOADING=1")
        try:
            fresh = load_settings(self.config_path)
        except (InvalidConfig, OSError) as error:
            note(
                log, logging.ERROR, "the changed configuration is not valid; the old one stays", reason=error
            )
        else:
            if fresh.folders != self.settings.folders:
                note(log, logging.ERROR, "other folders need a restart; the old configuration stays")
            else:
                self._apply(fresh)
        notify("READY=1")

    def _apply(self, fresh: Settings) -> None:
        self.settings = self.desk.settings = fresh
        self.door.incoming.settings = fresh.arrival
        self.arrivals.settle_s = fresh.arrival.settle_seconds
        self.pool.count, self.pool.setup = fresh.work.max_workers, self._worker_setup()
        self.schedule.stop()
        self.schedule = Schedule(fresh, self.inbox)
        self.schedule.start()
        self.inbox.ask("scan")
        note(log, logging.INFO, "configuration taken over")


def make_folders(settings: Settings) -> None:
    """Create what is missing; prove that outputs can be written. Raises MachineError naming the folder."""
    for folder in settings.folders.model_dump().values():
        try:
            Path(folder).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise machine_error(error, folder) from error
    for folder in (settings.folders.ready, settings.folders.rejected):
        try:
            (folder / STAGING).mkdir(exist_ok=True)
        except OSError as error:
            raise machine_error(error, folder) from error
    if not os.access(settings.folders.incoming, os.R_OK | os.X_OK):
        raise FolderUnreachable(
            str(settings.folders.incoming), "it may not be read", "let the service read it"
        )


def run_service(settings: Settings, config_path: Path | None = None, once: bool = False) -> int:
    """Run until SIGTERM or SIGINT (or, ``once``, until nothing is left). Returns the exit code."""
    make_folders(settings)
    set_up(settings.log, settings.folders.state / "logs")
    service = Service(settings, config_path, once)
    with _signals(service):
        return service.run()


class _signals:
    """Signal handlers only set flags; they are put back at the end."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._before: dict[int, Any] = {}

    def __enter__(self) -> None:
        handlers: dict[int, Callable[[int, Any], None]] = {
            signal.SIGTERM: self._stop,
            signal.SIGINT: self._stop,
        }
        if hasattr(signal, "SIGHUP"):
            handlers[signal.SIGHUP] = self._reload
        for number, handler in handlers.items():
            self._before[number] = signal.signal(number, handler)

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _stop(self, _number: int, _frame: Any) -> None:
        self._service.stop_signals += 1

    def _reload(self, _number: int, _frame: Any) -> None:
        self._service.reload_wanted = True
