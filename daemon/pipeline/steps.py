"""One drop being worked on: its steps, the tasks that they are, and the record that comes of it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.core.text import file_name, lines, one_line, valid
from daemon.ingest.grouping import Candidate
from daemon.ledger.ledger import Attempts, Record
from daemon.pipeline.job import JobRequest
from daemon.workers.pool import Task

PREFIX = "job-"
IDENTIFY = "daemon.decode.safeopen:identify"
ARE_STEMS = "daemon.ingest.stemcheck:are_stems"
RUN = "daemon.pipeline.job:run_job"
RUN_DURABLY = "daemon.pipeline.durable:run_durably"
MAX_INTERRUPTED = 25


@dataclass(slots=True)
class Job:
    id: str
    candidate: Candidate
    started_at: float  # wall clock, for display
    begun: float  # monotonic
    step: str = "identify"  # "stems", "identify", "run"
    stage: str = "identify"  # for display
    sha256: str | None = None
    staging: Path | None = None
    next_task: Task | None = None

    @property
    def key(self) -> str:
        return self.candidate.key

    @property
    def subject(self) -> str:
        """What tries and results are counted under: the hash, or the stat_digest before it is known."""
        return self.sha256 or f"drop:{self.candidate.stat_digest.hex()}"

    def task(self, incoming: Path, settings: Settings, stamp: str, run_function: str = RUN) -> Task:
        """The task of the present step."""
        path, limit = incoming / self.key, settings.limits.job_timeout_seconds
        if self.step != "run":
            function = ARE_STEMS if self.step == "stems" else IDENTIFY
            return Task(self.id, function, (path, settings.arrival.ignore), limit)
        assert self.staging is not None
        request = JobRequest(path, self.staging, settings, self.candidate.producer, stamp)
        return Task(self.id, RUN_DURABLY, (run_function, request), limit, stages=True)

    @property
    def shown(self) -> str:
        """The name of the file or folder, fit to be shown."""
        return file_name(self.key.rpartition("/")[2])

    def record(
        self, outcome: str, folder: str, reason: str | None, at: float, summary: dict[str, Any]
    ) -> Record:
        """``folder`` is the wanted name; publishing may have to number it."""
        producer = self.candidate.producer
        return Record(
            self.subject,
            outcome,
            folder,
            self.shown,
            one_line(producer) if producer else None,
            reason and lines(reason),
            {**summary, "path": valid(self.key)},
            at,
        )


def worn_out(attempts: Attempts, max_attempts: int) -> str | None:
    """The reason to try no more, or None while another try is due."""
    if attempts.failed >= max_attempts:
        times, cause = attempts.failed, attempts.reason
    elif attempts.interrupted >= MAX_INTERRUPTED:
        times, cause = attempts.interrupted, "the service ended meanwhile"
    else:
        return None
    return (
        f"the analysis was tried {times} times and failed each time: {cause.rstrip('.')}. "
        "Export the file anew and drop it again, or try this one again with 'beatintake retry'."
    )
