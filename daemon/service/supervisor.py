"""The service watches over itself: the watcher's life, the heartbeat for monitoring, the lease on the
folders.
"""

from __future__ import annotations

import logging
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.core.atomic import machine_error
from daemon.core.errors import AlreadyRunning, BeatintakeError
from daemon.core.logs import note
from daemon.core.oserrors import plainly
from daemon.core.problems import Problems
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.watch import Watch
from daemon.service.dispatcher import Dispatcher
from daemon.service.heartbeat import drop_spare, write_heartbeat, write_spare
from daemon.service.lock import LEASE_BEAT_S, ServiceLock
from daemon.service.service_state import service_facts
from daemon.service.systemd import notify, watchdog_period_s

log = logging.getLogger("beatintake.supervisor")
HEARTBEAT_S = 5.0
LIVENESS_S = 3.0
NOTICES = 5


@dataclass(slots=True)
class Timers:
    """When something periodic is due, by a monotonic clock."""

    next: dict[str, float] = field(default_factory=dict)

    def due(self, name: str, now: float, period_s: float) -> bool:
        if now < self.next.get(name, 0.0):
            return False
        self.next[name] = now + period_s
        return True

    def soon(self, name: str, at: float) -> None:
        """Not later than ``at``."""
        self.next[name] = min(self.next.get(name, 0.0), at)


@dataclass(slots=True)
class Supervisor:
    state_folder: Path
    arrivals: Arrivals
    dispatcher: Dispatcher
    watch: Watch
    problems: Problems
    lock: ServiceLock
    timers: Timers = field(default_factory=Timers)
    ousted: bool = False  # another machine has taken over
    notices: list[str] = field(default_factory=list)  # for people: what had to be put right

    def start_watch(self) -> None:
        try:
            self.watch.start()
        except OSError as error:
            text = f"{self.watch.root}: cannot be reached ({plainly(error)})"
            self.problems.raise_("incoming", text)
            return
        if self.watch.note:
            note(log, logging.WARNING, "watching by polling", reason=self.watch.note)

    def tell(self, text: str) -> None:
        """Show it in ``status`` until the next start (the last few only)."""
        self.notices = [*self.notices, f"{time.strftime('%Y-%m-%d %H:%M')}: {text}"][-NOTICES:]

    def check_watch(self, now: float) -> bool:
        """Is the watcher deaf? Then set it anew. True when that has happened and a full look is due."""
        if not self.timers.due("watch", now, LIVENESS_S):
            return False
        trouble = self.watch.problem()
        if trouble is None:
            self.problems.clear("watch")
            return False
        self.problems.raise_("watch", f"{self.watch.root}: {trouble}; watching anew")
        self.watch.stop()
        self.start_watch()
        if self.watch.problem() is not None:
            return False
        self.problems.clear("watch")
        return True

    def beat(self, now: float, state: str, paused: str | None, force: bool = False) -> None:
        """Health file, service manager, lease. The ping to the service manager means: the watcher lives."""
        if not force and not self.timers.due(
            "beat", now, min(HEARTBEAT_S, watchdog_period_s() or HEARTBEAT_S)
        ):
            return
        facts = self._write_health(state, paused)
        text = f"{facts['waiting_count']} waiting, {len(facts['running'])} running"
        alive = "watch" not in self.problems.current or not self._folder_there()
        notify(f"STATUS={text}{', ' + paused if paused else ''}", *(["WATCHDOG=1"] if alive else []))
        if self.timers.due("claim", now, LEASE_BEAT_S):
            self._beat_lease()

    def _write_health(self, state: str, paused: str | None) -> dict[str, Any]:
        """A full or read-only state folder must not stop the heartbeat: a spare file then tells of it."""

        def facts() -> dict[str, Any]:
            return service_facts(
                self.arrivals, self.dispatcher, self.watch, self.problems, state, paused, self.notices
            )

        told = facts()
        try:
            write_heartbeat(self.state_folder, told)
        except OSError as error:
            self.problems.raise_("state", str(machine_error(error, self.state_folder)))
            told = facts()  # with that problem
            with suppress(OSError):
                write_spare(self.state_folder, told)
        else:
            if "state" in self.problems.current or state != "running":
                drop_spare(self.state_folder)
            self.problems.clear("state")
        return told

    def _folder_there(self) -> bool:
        return self.watch.root.is_dir()  # a share that is away is no reason to be restarted

    def _beat_lease(self) -> None:
        try:
            self.lock.beat()
            self.problems.clear("claim")
        except AlreadyRunning as error:
            note(log, logging.ERROR, "another machine has taken over; stopping", reason=error)
            self.ousted = True
        except BeatintakeError as error:
            self.problems.raise_("claim", str(error))
