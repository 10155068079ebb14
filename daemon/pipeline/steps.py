"""The steps of one drop, written once for the service and for a batch. Pure.

    what is its hash? -> (under a name that had other content) does it go on where that ended? -> the job
    itself -> publish, reject, split (a pack of beats) or ask (stems or beats?)

Who drives a drop gives the task of its present step to a worker and asks `decide` what the answer means. What
is done about it (ledger, folders, when it is tried again) is the driver's.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.core.errors import ChangedWhileReading, DropError, DropWithdrawn, MachineError
from daemon.core.text import count, file_name, lines, one_line, valid
from daemon.ledger.ledger import Attempts, Record
from daemon.pipeline.answers import stored_answer
from daemon.pipeline.job import JobRequest, JobResult
from daemon.workers.pool import Died, Done, Failed, Task

IDENTIFY = "daemon.decode.identity:identity_of"
CONTINUES = "daemon.decode.identity:continues"
IDENTIFY_INNER = "daemon.decode.inside:identify_inner"
CONTINUES_INNER = "daemon.decode.inside:continues_inner"
RUN = "daemon.pipeline.job:run_job"
RUN_DURABLY = "daemon.pipeline.durable:run_durably"
MAX_INTERRUPTED = 25
MOST_PARTS = 256  # files of one folder that the ledger remembers


class Step(StrEnum):
    IDENTIFY = "identify"
    CONTINUES = "compare with what lay there before"
    RUN = "run"


@dataclass(slots=True)
class DropWork(ABC):
    """A drop and how far it has come."""

    path: Path  # file or folder, only read
    producer: str | None = None
    stat_digest: bytes = b""  # of sizes, times and inodes; empty: not known
    step: Step = Step.IDENTIFY
    sha256: str | None = None  # known after IDENTIFY
    staging: Path | None = None  # private folder of the job, from RUN on
    parts: dict[str, tuple[str, int]] = field(default_factory=dict)  # see `identity.Identity`
    earlier: Record | None = None  # what this place held before, until it is known to be something else
    inner: str | None = None  # a file of the zip at `path`
    pack: str | None = None  # path of the folder or zip of beats that it belongs to
    other_mixes: tuple[str, ...] = ()

    @property
    @abstractmethod
    def key(self) -> str:
        """How the ledger names the place."""

    @property
    def places(self) -> tuple[str, ...]:
        """The same, and as what else it may have been known."""
        return (self.key,)

    @property
    def single(self) -> bool:
        """Is it known to be one file?"""
        return "" in self.parts

    @property
    def subject(self) -> str:
        """What tries and results are counted under: the hash, or the place and time before it is known."""
        return self.sha256 or f"drop:{self.stat_digest.hex() or valid(self.key)}"

    @property
    def shown(self) -> str:
        """The name of the file or folder, fit to be shown."""
        return file_name(self.inner or self.path)

    def task(self, task_id: str, settings: Settings, stamp: str, durably: str | None = None) -> Task:
        """The task of the present step. ``durably``: the job's function, run with stages and fsync."""
        limit = settings.limits.job_timeout_seconds
        ignore = settings.arrival.ignore
        if self.step is Step.CONTINUES:
            assert self.earlier is not None
            before = self.earlier.parts
            if self.inner or (self.single and len(before) > 1):
                inside = self.path, self.inner, before, settings.limits, ignore
                return Task(task_id, CONTINUES_INNER, inside, limit)
            return Task(task_id, CONTINUES, (self.path, before), limit)
        if self.step is not Step.RUN and self.inner is not None:
            return Task(task_id, IDENTIFY_INNER, (self.path, self.inner, settings.limits, ignore), limit)
        if self.step is not Step.RUN:
            return Task(task_id, IDENTIFY, (self.path, ignore), limit)
        assert self.staging is not None
        request = JobRequest(
            self.path,
            self.staging,
            settings,
            self.producer,
            stamp,
            part=self.earlier.sha256 if self.earlier else None,
            inner=self.inner,
            pack=file_name(self.pack) if self.pack else None,
            other_mixes=self.other_mixes,
            several=stored_answer(settings.folders.state, self.sha256) if self.sha256 else None,
        )
        if durably:
            return Task(task_id, RUN_DURABLY, (durably, request), limit, stages=True)
        return Task(task_id, RUN, (request,), limit)

    def record(
        self, outcome: str, folder: str, reason: str | None, at: float, summary: dict[str, Any]
    ) -> Record:
        """``folder`` is the wanted name; publishing may have to number it."""
        beginning: dict[str, Any] = {"beginning": self.parts[""]} if self.single else {}
        if not self.single and 0 < len(self.parts) <= MOST_PARTS:
            beginning = {"beginnings": self.parts}
        return Record(
            self.subject,
            outcome,
            folder,
            self.shown,
            self.producer and one_line(self.producer),
            reason and lines(reason),
            {**beginning, **summary, "path": valid(self.key)},
            at,
        )


@dataclass(frozen=True, slots=True)
class Split:
    """Several beats: every file of the folder or zip is a drop of its own. ``mixes``: those files, each with
    the others that are mixes of the same beat.
    """

    mixes: dict[str, list[str]]


@dataclass(frozen=True, slots=True)
class Ask:
    """A person must say whether it is the stems of one beat or several beats."""

    reason: str
    mixes: dict[str, list[str]]


@dataclass(frozen=True, slots=True)
class Identified:
    """Known, being worked on elsewhere, tried too often, or to be run: the driver's ledger knows."""

    sha256: str


@dataclass(frozen=True, slots=True)
class Compared:
    """``part``: what its place held before, if this goes on where that ended."""

    part: Record | None


@dataclass(frozen=True, slots=True)
class Publish:
    result: JobResult


@dataclass(frozen=True, slots=True)
class Reject:
    """The drop cannot be used."""

    reason: str


@dataclass(frozen=True, slots=True)
class StartOver:
    """It changed or went away meanwhile. ``error``: what the worker met, if it was the worker that saw it."""

    reason: str
    error: MachineError | None = None


@dataclass(frozen=True, slots=True)
class Postpone:
    """The machine is in the way."""

    error: MachineError


@dataclass(frozen=True, slots=True)
class Failure:
    """A crash, hang, blow-up or bug: tried again a bounded number of times."""

    reason: str
    detail: str = ""


Decision = Split | Ask | Identified | Compared | Publish | Reject | StartOver | Postpone | Failure


def decide(drop: DropWork, answer: Done | Failed | Died) -> Decision:
    """What a worker's answer to the present step means."""
    match answer:
        case Done(value=value):
            return _after(drop, value)
        case Failed(error=DropError() as error):
            return Reject(error.about(drop.shown))
        case Failed(error=ChangedWhileReading() | DropWithdrawn() as error):
            return StartOver(str(error), error)
        case Failed(error=MachineError() as error):
            return Postpone(error)
        case Failed(error=error, detail=detail):
            return Failure(str(error), detail)
        case Died(reason=reason, detail=detail):
            return Failure(reason, detail)


def _after(drop: DropWork, value: Any) -> Decision:
    if drop.step is Step.IDENTIFY:
        drop.parts = value.parts
        return Identified(value.sha256)
    if drop.step is Step.CONTINUES:
        assert drop.earlier is not None
        return Compared(drop.earlier if value or _filled_since(drop, drop.earlier) else None)
    result: JobResult = value
    if result.sha256 not in (None, drop.sha256):
        return StartOver("it was replaced while it was being read")
    if result.outcome == "pack":
        return Split(result.summary["mixes"])
    if result.outcome == "question":
        return Ask(result.reason or "", result.summary["mixes"])
    if result.outcome == "rejected":
        return Reject(result.reason or "no reason given")
    return Publish(result)


def worn_out(attempts: Attempts, max_attempts: int) -> str | None:
    """The reason to try no more, or None while another try is due."""
    if attempts.failed >= max_attempts:
        times, cause = attempts.failed, attempts.reason
    elif attempts.interrupted >= MAX_INTERRUPTED:
        times, cause = attempts.interrupted, "the service ended meanwhile"
    else:
        return None
    return (
        f"the analysis was tried {count(times, 'time')} and failed each time: {cause.rstrip('.')}. "
        "Export the file anew and drop it again, or try this one again with 'beatintake retry'."
    )


def _filled_since(drop: DropWork, earlier: Record) -> bool:
    """A rejected file of the same place and length: its space had been reserved, or it was repaired."""
    now, before = drop.parts.get(""), earlier.parts.get("")
    return earlier.outcome == "rejected" and bool(now and before) and now[1:] == before[1:]  # type: ignore[index]
