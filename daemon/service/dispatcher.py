"""From a waiting drop to its result: identify, try, judge, publish or reject, and write it down.

One job a drop, in steps that each run in a worker: (folders only) are these stems? -> what is its hash? ->
the job itself. Between the steps the ledger answers whether the content is known, and how often it has gone
wrong. All methods run in the main loop's thread.
"""

from __future__ import annotations

import itertools
import logging
import os
import secrets
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.core.atomic import STAGING, discard, machine_error
from daemon.core.errors import (
    BeatintakeError,
    ChangedWhileReading,
    DiskFull,
    DropError,
    DropWithdrawn,
    FolderUnreachable,
    MachineError,
)
from daemon.core.logs import note
from daemon.core.problems import Problems
from daemon.ingest.arrivals import Arrivals, DropState, PendingDrop, Phase
from daemon.ingest.grouping import Kind
from daemon.ingest.incoming import Incoming
from daemon.ledger.ledger import Ledger, Record
from daemon.ledger.rejection import stage_rejection
from daemon.pipeline.job import JobResult
from daemon.pipeline.publication import Results
from daemon.pipeline.steps import PREFIX, RUN, Job, worn_out
from daemon.workers.pool import Died, Done, Failed, Stage, WorkerEvent, WorkerPool

log = logging.getLogger("beatintake.dispatcher")
BACKOFF_S = (5.0, 15.0, 60.0, 300.0)
UNUSABLE, FAILED = "the drop cannot be used", "the analysis failed"


@dataclass(slots=True)
class Dispatcher:
    settings: Settings
    incoming: Incoming
    arrivals: Arrivals
    ledger: Ledger
    pool: WorkerPool
    problems: Problems
    run_function: str = RUN
    on_result: Callable[[Record, str], None] = lambda record, path: None
    clock: Callable[[], float] = time.monotonic
    results: Results = field(init=False)
    jobs: dict[str, Job] = field(default_factory=dict)
    rejected_count: int = 0
    ready_count: int = 0
    _numbers: Any = field(default_factory=lambda: itertools.count(1))

    def __post_init__(self) -> None:
        self.results = Results(self.settings.folders, self.ledger)

    # --- starting -----------------------------------------------------------------------------------------

    def begin(self, entry: PendingDrop) -> None:
        """Start the job of a waiting drop on an idle worker (the caller has checked that there is one)."""
        try:
            fresh = self.incoming.refresh(entry.candidate)
        except OSError as error:
            self.arrivals.hold(
                entry.key, f"it cannot be looked at ({error.strerror})", self.clock() + BACKOFF_S[0]
            )
            return
        if fresh is None:
            self.arrivals.vanish(entry.key)
            return
        self.arrivals.see(fresh, self.clock())
        if entry.phase is not Phase.WAITING:
            return
        self.arrivals.start(entry.key)
        job = Job(f"{next(self._numbers)}-{secrets.token_hex(3)}", fresh, time.time(), self.clock())
        self.jobs[job.id] = job
        self._send(job, "stems" if fresh.kind is Kind.MAYBE_STEMS else "identify")

    def _send(self, job: Job, step: str) -> None:
        job.step = job.stage = step
        stamp = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        job.next_task = job.task(self.incoming.root, self.settings, stamp, self.run_function)
        self.submit_pending()

    def submit_pending(self) -> None:
        """Give the next steps of running jobs to idle workers (a worker may just have been replaced)."""
        for job in list(self.jobs.values()):
            if job.next_task is not None and self.pool.idle:
                task, job.next_task = job.next_task, None
                self.pool.submit(task)

    def call_off_pending(self) -> None:
        """At a stop: jobs that wait for the worker of their next step end here."""
        for job in list(self.jobs.values()):
            if job.next_task is not None:
                self._give_back(job)

    def busy_folders(self) -> set[str]:
        return {job.staging.name for job in self.jobs.values() if job.staging is not None}

    def use_ledger(self, ledger: Ledger) -> None:
        self.ledger = self.results.ledger = ledger

    @property
    def pending(self) -> int:
        return sum(job.next_task is not None for job in self.jobs.values())

    def _private(self, root: Path, job: Job) -> Path:
        """Where the job's private folder is to be. A root without its .staging is a share that is away."""
        if not (root / STAGING).is_dir():
            raise FolderUnreachable(
                str(root), "it is not there any more", "mount the share, or restart the service"
            )
        return root / STAGING / f"{PREFIX}{job.id}"

    def has_space(self, entry: PendingDrop) -> bool:
        """Enough room for the outputs of this drop (copy, stems and the rest: three times its size)?"""
        need = (self.settings.limits.free_space_mb << 20) + 3 * entry.candidate.size
        try:
            free = shutil.disk_usage(self.settings.folders.ready).free
        except OSError as error:
            self.problems.raise_("disk", str(machine_error(error, self.settings.folders.ready)))
            return False
        if free < need:
            root = self.settings.folders.ready
            text = f"{root}: {free >> 20} MB free, {need >> 20} MB needed; work waits for space"
            self.problems.raise_("disk", text)
            return False
        self.problems.clear("disk")
        return True

    def clear_troubles(self) -> None:
        """When no drop is put back any more (done, or taken away), the trouble is over."""
        if "work" in self.problems.current and not any(e.setbacks for e in self.arrivals.entries.values()):
            self.problems.clear("work")

    def retry(self, sha256: str) -> None:
        """Forget a rejection, so that the drop is taken again at the next look."""
        record = self.ledger.find(sha256)
        paths = [path for path, _, known in self.ledger.drops() if known == sha256]
        self.ledger.forget(sha256)
        for path in paths:
            self.arrivals.done.pop(path, None)
        if record is not None and record.outcome == "rejected" and record.folder:
            discard(self.results.folder_of(record))
        note(log, logging.INFO, "to be tried again", drop=", ".join(paths) or sha256[:12])

    # --- what the workers report --------------------------------------------------------------------------

    def handle(self, event: WorkerEvent) -> None:
        """One event. Whatever goes wrong here puts the drop back; it is never lost."""
        job = self.jobs.get(event.task_id)
        if job is None:
            return
        if isinstance(event, Stage):
            job.stage = event.name
            return
        try:
            self._react(job, event)
        except BeatintakeError as error:
            self._postpone(job, error)
        except OSError as error:
            self._postpone(job, machine_error(error, self.settings.folders.ready))
        except sqlite3.OperationalError as error:
            self._postpone(job, MachineError(str(self.ledger.path), str(error), "it is tried again"))

    def _react(self, job: Job, event: WorkerEvent) -> None:
        match event:
            case Done(value=value) if job.step == "stems":
                self._stems_answered(job, bool(value))
            case Done(value=value) if job.step == "identify":
                self._identified(job, str(value))
            case Done(value=value):
                self._judged(job, value)
            case Failed(error=DropError() as error):
                self._reject(job, error.about(job.shown), UNUSABLE)
            case Failed(error=ChangedWhileReading() | DropWithdrawn() as error):
                self._give_back(job, str(error), 1.0)
            case Failed(error=MachineError() as error):
                raise error
            case Failed(error=error, detail=detail):
                self._failed(job, str(error), detail)
            case Died(reason=reason, detail=detail):
                self._failed(job, reason, detail)

    def _stems_answered(self, job: Job, stems: bool) -> None:
        if stems:
            self._send(job, "identify")
            return
        self.ledger.record_drop(job.key, job.candidate.stat_digest, None)
        self.incoming.split.add(job.key)
        self.arrivals.finish(job.key)
        self._close(job)
        note(log, logging.INFO, "no stems: taken as single beats", folder=job.key)
        with suppress(OSError):  # then the next full look finds them
            for candidate in self.incoming.around(job.key):
                self.arrivals.see(candidate, self.clock())

    def _identified(self, job: Job, sha256: str) -> None:
        job.sha256 = sha256
        if known := self.results.known(sha256):
            self._already_done(job, known)
        elif any(other.sha256 == sha256 and other is not job for other in self.jobs.values()):
            self._give_back(job, "the same bytes are being analysed under another name", 2.0)
        elif reason := worn_out(self.ledger.attempts(sha256), self.settings.limits.max_attempts):
            self._reject(job, reason, FAILED)
        else:
            staging = self._private(self.settings.folders.ready, job)
            self.ledger.begin(sha256)
            staging.mkdir()
            job.staging = staging
            self._send(job, "run")

    def _already_done(self, job: Job, known: Record) -> None:
        if self._fresh_state(job) is not DropState.UNCHANGED:
            self._give_back(job)
            return
        self.ledger.record_drop(job.key, job.candidate.stat_digest, known.sha256)
        self.arrivals.finish(job.key)
        self._close(job)
        facts = {"drop": job.key, "outcome": known.outcome, "folder": known.folder}
        note(log, logging.INFO, "same bytes as before: nothing to do", **facts)

    def _judged(self, job: Job, result: JobResult) -> None:
        if result.sha256 not in (None, job.sha256):
            self._give_back(job, "it was replaced while it was being read", 1.0)
        elif result.outcome == "rejected":
            self._reject(job, result.reason or "no reason given", UNUSABLE)
        elif self._fresh_state(job) is not DropState.UNCHANGED:
            self._give_back(job)
        elif known := self.results.known(job.subject):  # another process did it meanwhile
            if job.staging is not None:
                discard(job.staging)
            self._already_done(job, known)
        else:
            record = job.record("ready", result.folder_name, None, time.time(), result.summary)
            self._appear(job, record)

    # --- ends ---------------------------------------------------------------------------------------------

    def _appear(self, job: Job, record: Record) -> None:
        """Publish; from here on the drop is done, whatever happens to displays and notifications."""
        assert job.staging is not None
        record = self.results.appear(job.staging, record, job.key, job.candidate.stat_digest)
        job.staging = None
        self.arrivals.finish(job.key)
        self._close(job)
        if record.outcome == "ready":
            self.ready_count += 1
            note(log, logging.INFO, "ready", drop=job.key, folder=record.folder, sha256=record.sha256[:12])
        else:
            self.rejected_count += 1
            note(log, logging.WARNING, "rejected", drop=job.key, folder=record.folder, reason=record.reason)
        self.on_result(record, job.key)

    def _reject(self, job: Job, reason: str, heading: str) -> None:
        if self._fresh_state(job) is not DropState.UNCHANGED:
            self._give_back(job)
            return
        if job.staging is not None:
            discard(job.staging)
        job.staging = self._private(self.settings.folders.rejected, job)
        record = job.record("rejected", "", reason, time.time(), {})
        folder = stage_rejection(job.staging, record, heading)
        self._appear(job, replace(record, folder=folder))

    def _failed(self, job: Job, reason: str, detail: str) -> None:
        """A crash, hang, blow-up or bug: try again a bounded number of times, then reject."""
        facts = {"drop": job.key, "stage": job.stage, "reason": reason, "detail": detail or None}
        note(log, logging.ERROR, "analysis failed", **facts)
        if job.step != "run":
            self.ledger.begin(job.subject)
        self.ledger.end(job.subject, reason)
        if worn := worn_out(self.ledger.attempts(job.subject), self.settings.limits.max_attempts):
            self._reject(job, worn, FAILED)
        else:
            self._give_back(job, reason, 1.0, counted=True)

    def _postpone(self, job: Job, error: BeatintakeError) -> None:
        """The machine is in the way: later again, with growing pauses, and nobody to blame."""
        entry = self.arrivals.entries.get(job.key)
        setbacks = entry.setbacks if entry else 0
        if entry:
            entry.setbacks += 1
        text = str(error).replace(f"{os.sep}{STAGING}{os.sep}{PREFIX}{job.id}", "")  # the same at every try
        self.problems.raise_("disk" if isinstance(error, DiskFull) else "work", text)
        self._give_back(job, str(error), BACKOFF_S[min(setbacks, len(BACKOFF_S) - 1)])

    def _give_back(self, job: Job, why: str = "", pause_s: float = 0.0, counted: bool = False) -> None:
        """End the job as if it had never begun."""
        if job.staging is not None:
            discard(job.staging)
        if job.step == "run" and job.sha256 and not counted:
            with suppress(MachineError):  # then it counts as interrupted, which is nearly as good
                self.ledger.end(job.sha256)
        self._look_again(job)
        if job.key in self.arrivals.entries:
            self.arrivals.put_back(job.key, why, self.clock() + pause_s)
        self._close(job)

    def abandon_all(self) -> None:
        """At a stop: whatever still runs has been killed and leaves nothing behind."""
        for job in list(self.jobs.values()):
            self._give_back(job)

    def _fresh_state(self, job: Job) -> DropState:
        self._look_again(job)
        return self.arrivals.state_of(job.key)

    def _look_again(self, job: Job) -> None:
        try:
            fresh = self.incoming.refresh(job.candidate)
        except OSError as error:
            note(log, logging.WARNING, "cannot look at the drop", drop=job.key, error=error)
            return
        if fresh is None:
            if os.path.isdir(self.incoming.root):  # a share that is away has not taken the drop away
                self.arrivals.vanish(job.key)
        else:
            self.arrivals.see(fresh, self.clock())

    def _close(self, job: Job) -> None:
        self.jobs.pop(job.id, None)
