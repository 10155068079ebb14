"""From a waiting drop to its result: gives the steps of each drop to workers and acts on what they mean
(`daemon.pipeline.steps`). Between them the ledger knows content and failures. All in the main loop's thread.
"""

from __future__ import annotations

import itertools
import logging
import os
import secrets
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

from config.settings import Settings
from daemon.core.atomic import STAGING, discard, machine_error
from daemon.core.errors import BeatintakeError, DiskFull, MachineError
from daemon.core.logs import note
from daemon.core.oserrors import plainly
from daemon.core.problems import Problems
from daemon.core.studio import require_outputs
from daemon.ingest.arrivals import Arrivals, DropState
from daemon.ingest.pending import PendingDrop, Phase
from daemon.ingest.settling import Settling
from daemon.ledger.ledger import PACK, Ledger, Record
from daemon.pipeline import steps
from daemon.pipeline.job import JobResult, stamp_now
from daemon.pipeline.publication import Results
from daemon.pipeline.steps import RUN, Step, decide, worn_out
from daemon.report.rejection import stage_rejection
from daemon.service.active_drop import PREFIX, ActiveDrop
from daemon.service.pace import Pace
from daemon.service.pack_split import close_questions, judge_anew, known_by, split, withdraw_singles
from daemon.workers.pool import Died, Done, Failed, Stage, WorkerEvent, WorkerPool

log = logging.getLogger("beatintake.dispatcher")
BACKOFF_S = (5.0, 15.0, 60.0, 300.0)
UNUSABLE, FAILED = "the drop cannot be used", "the analysis failed"
QUESTION = "stems or beats?"


@dataclass(slots=True)
class Dispatcher:
    settings: Settings
    settling: Settling
    arrivals: Arrivals
    ledger: Ledger
    pool: WorkerPool
    problems: Problems
    run_function: str = RUN
    on_result: Callable[[Record, str], None] = lambda record, path: None
    clock: Callable[[], float] = time.monotonic
    results: Results = field(init=False)
    pace: Pace = field(default_factory=Pace)
    active: dict[str, ActiveDrop] = field(default_factory=dict)
    rejected_count: int = 0
    ready_count: int = 0
    known_count: int = 0  # of the same bytes again
    _numbers: Any = field(default_factory=lambda: itertools.count(1))

    def __post_init__(self) -> None:
        self.results = Results(self.settings.folders, self.ledger)

    # --- starting -----------------------------------------------------------------------------------------

    def begin(self, entry: PendingDrop) -> None:
        """Start the work on a waiting drop on an idle worker (the caller has checked that there is one)."""
        try:
            fresh = self.settling.incoming.refresh(entry.candidate)
        except OSError as error:
            self.arrivals.hold(entry.key, f"not to be seen: {plainly(error)}", self.clock() + BACKOFF_S[0])
            return
        if fresh is None:
            self.arrivals.vanish(entry.key)
            return
        self.arrivals.see(fresh, self.clock())
        if entry.phase is not Phase.WAITING:
            return
        self.arrivals.start(entry.key)
        incoming = self.settling.incoming
        drop = ActiveDrop(
            incoming.root / incoming.place_of(fresh.key),
            fresh.producer,
            fresh.stat_digest,
            id=f"{next(self._numbers)}-{secrets.token_hex(3)}",
            candidate=fresh,
            begun=self.clock(),
            inner=fresh.inner,
            pack=fresh.pack,
            other_mixes=tuple(incoming.mixes_of(fresh)),
        )
        self.active[drop.id] = drop
        self._send(drop, Step.IDENTIFY)

    def _send(self, drop: ActiveDrop, step: Step) -> None:
        drop.step, drop.stage = step, step.value
        drop.next_task = drop.task(drop.id, self.settings, stamp_now(), self.run_function)
        self.submit_pending()

    def submit_pending(self) -> None:
        """Give the next steps of active drops to idle workers (a worker may just have been replaced)."""
        for drop in list(self.active.values()):
            if drop.next_task is not None and self.pool.idle:
                task, drop.next_task = drop.next_task, None
                self.pool.submit(task)

    def call_off_pending(self) -> None:
        """At a stop: drops that wait for the worker of their next step are given back."""
        for drop in list(self.active.values()):
            if drop.next_task is not None:
                self.give_back(drop)

    def busy_folders(self) -> set[str]:
        return {drop.staging.name for drop in self.active.values() if drop.staging is not None}

    def use_ledger(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.results.use_ledger(ledger)

    @property
    def pending(self) -> int:
        return sum(drop.next_task is not None for drop in self.active.values())

    def clear_troubles(self) -> None:
        """When no drop is put back any more (done, or taken away), the trouble is over."""
        if "work" in self.problems.current and not any(e.setbacks for e in self.arrivals.entries.values()):
            self.problems.clear("work")

    # --- what the workers report --------------------------------------------------------------------------

    def handle(self, event: WorkerEvent) -> None:
        """One event. Whatever goes wrong here puts the drop back; it is never lost."""
        drop = self.active.get(event.task_id)
        if drop is None:
            return
        if isinstance(event, Stage):
            drop.stage = event.name
            return
        try:
            self._react(drop, event)
        except BeatintakeError as error:
            self._postpone(drop, error)
        except OSError as error:
            self._postpone(drop, machine_error(error, self.settings.folders.ready))
        except sqlite3.OperationalError as error:
            self._postpone(drop, MachineError(str(self.ledger.path), str(error), "it is tried again"))

    def _react(self, drop: ActiveDrop, answer: Done | Failed | Died) -> None:
        match decide(drop, answer):
            case steps.Split(mixes=mixes):
                split(self, drop, mixes)
            case steps.Ask(reason=reason, mixes=mixes):
                self._reject(drop, reason, QUESTION, {"question": sorted(mixes)})
            case steps.Identified(sha256=sha256):
                self._identified(drop, sha256)
            case steps.Compared(part=part):
                drop.earlier = part
                if part is None or not judge_anew(self, drop):
                    self._identified(drop, drop.subject)
            case steps.Publish(result=result):
                self._publish(drop, result)
            case steps.Reject(reason=reason):
                self._reject(drop, reason, UNUSABLE)
            case steps.StartOver(reason=reason):
                self.give_back(drop, reason, 1.0)
            case steps.Postpone(error=error):
                raise error
            case steps.Failure(reason=reason, detail=detail):
                self._failed(drop, reason, detail)

    def _identified(self, drop: ActiveDrop, sha256: str) -> None:
        require_outputs(self.settings.folders)
        drop.sha256 = sha256
        before = self.ledger.find(sha256)
        if before is not None and before.outcome == PACK:
            split(self, drop, before.summary["mixes"])
        elif drop.step is Step.IDENTIFY and (earlier := self.results.earlier(drop, sha256)):
            drop.earlier = earlier
            self._send(drop, Step.CONTINUES)
        elif known := self.results.known(sha256):
            self._already_done(drop, known)
        elif any(other.sha256 == sha256 and other is not drop for other in self.active.values()):
            self.give_back(drop, "the same bytes are being analysed under another name", 2.0)
        elif reason := worn_out(self.ledger.attempts(sha256), self.settings.limits.max_attempts):
            self._reject(drop, reason, FAILED)
        else:
            staging = drop.private_folder(self.settings.folders.ready)
            self.ledger.begin(sha256)
            staging.mkdir()
            drop.staging = staging
            self._send(drop, Step.RUN)

    def _already_done(self, drop: ActiveDrop, known: Record) -> None:
        if self.fresh_state(drop) is not DropState.UNCHANGED:
            self.give_back(drop)
            return
        withdraw_singles(self, drop, known)
        self.ledger.record_drop(drop.key, drop.stat_digest, known.sha256)
        self.known_count += 1
        self.results.drop_part(drop.earlier)
        self.arrivals.finish(drop.key, self.clock())
        self.close(drop)
        place = {"outcome": known.outcome, "folder": known.folder}
        note(log, logging.INFO, "same bytes as before: nothing to do", drop=drop.key, **place)

    def _publish(self, drop: ActiveDrop, result: JobResult) -> None:
        if self.fresh_state(drop) is not DropState.UNCHANGED:
            self.give_back(drop)
        elif known := self.results.known(drop.subject):  # another process did it meanwhile
            if drop.staging is not None:
                discard(drop.staging)
            self._already_done(drop, known)
        else:
            record = drop.record("ready", result.folder_name, None, time.time(), result.summary)
            self._appear(drop, record)

    # --- ends ---------------------------------------------------------------------------------------------

    def _appear(self, drop: ActiveDrop, record: Record) -> None:
        """Publish; from here on the drop is done, whatever happens to displays and notifications."""
        assert drop.staging is not None
        require_outputs(self.settings.folders)
        close_questions(self, drop, record.sha256)
        digest = known_by(self, drop, record)
        record = self.results.appear(drop.staging, record, drop.key, digest, drop.earlier)
        drop.staging = None
        self.arrivals.finish(drop.key, self.clock())
        self.close(drop)
        withdraw_singles(self, drop, record)
        if record.outcome == "ready":
            self.ready_count += 1
            self.pace.learn(drop.candidate, self.clock() - drop.begun - drop.halted_s)
            note(log, logging.INFO, "ready", drop=drop.key, folder=record.folder, sha256=record.sha256[:12])
        else:
            self.rejected_count += 1
            note(log, logging.WARNING, "rejected", drop=drop.key, folder=record.folder, reason=record.reason)
        self.on_result(record, drop.key)

    def _reject(
        self, drop: ActiveDrop, reason: str, heading: str, more: dict[str, Any] | None = None
    ) -> None:
        if self.fresh_state(drop) is not DropState.UNCHANGED:
            self.give_back(drop)
            return
        if drop.staging is not None:
            discard(drop.staging)
        drop.staging = drop.private_folder(self.settings.folders.rejected)
        record = drop.record("rejected", "", reason, time.time(), more or {})
        folder = stage_rejection(drop.staging, record, heading, self.settings)
        self._appear(drop, replace(record, folder=folder))

    def _failed(self, drop: ActiveDrop, reason: str, detail: str) -> None:
        """A crash, hang, blow-up or bug: try again a bounded number of times, then reject."""
        require_outputs(self.settings.folders)
        if drop.step is not Step.RUN:
            self.ledger.begin(drop.subject)
        self.ledger.end(drop.subject, reason)  # first: what is told has been counted
        facts = {"drop": drop.key, "stage": drop.stage, "reason": reason, "detail": detail or None}
        note(log, logging.ERROR, "analysis failed", **facts)
        if worn := worn_out(self.ledger.attempts(drop.subject), self.settings.limits.max_attempts):
            self._reject(drop, worn, FAILED)
        else:
            self.give_back(drop, reason, 1.0, counted=True)

    def _postpone(self, drop: ActiveDrop, error: BeatintakeError) -> None:
        """The machine is in the way: later again, with growing pauses, and nobody to blame."""
        entry = self.arrivals.entries.get(drop.key)
        setbacks = entry.setbacks if entry else 0
        if entry:
            entry.setbacks += 1
        text = str(error).replace(f"{os.sep}{STAGING}{os.sep}{PREFIX}{drop.id}", "")  # the same at every try
        self.problems.raise_("disk" if isinstance(error, DiskFull) else "work", text)
        self.give_back(drop, str(error), BACKOFF_S[min(setbacks, len(BACKOFF_S) - 1)])

    def give_back(self, drop: ActiveDrop, why: str = "", pause_s: float = 0.0, counted: bool = False) -> None:
        """End the work on it as if it had never begun."""
        if drop.staging is not None:
            discard(drop.staging)
        if drop.step is Step.RUN and drop.sha256 and not counted:
            with suppress(MachineError):  # then it counts as interrupted, which is nearly as good
                self.ledger.end(drop.sha256)
        self.settling.look_again(drop.candidate, self.clock())
        if drop.key in self.arrivals.entries:
            self.arrivals.put_back(drop.key, why, self.clock() + pause_s)
        self.close(drop)

    def abandon_all(self) -> None:
        """At a stop: whatever still runs has been killed and leaves nothing behind."""
        for drop in list(self.active.values()):
            self.give_back(drop)

    def fresh_state(self, drop: ActiveDrop) -> DropState:
        self.settling.look_again(drop.candidate, self.clock())
        return self.arrivals.state_of(drop.key)

    def close(self, drop: ActiveDrop) -> None:
        self.active.pop(drop.id, None)
