"""A drop that the service is working on."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path

from daemon.core.atomic import STAGING
from daemon.core.errors import FolderUnreachable
from daemon.ingest.grouping import Candidate
from daemon.pipeline.steps import DropWork
from daemon.workers.pool import Task

PREFIX = "job-"
"""Of its private folder in .staging: at the next start what an earlier life left is known by it."""


@dataclass(slots=True, kw_only=True)
class ActiveDrop(DropWork):
    id: str
    candidate: Candidate
    begun: float  # monotonic
    started_at: float = field(default_factory=time.time)  # wall clock, for display
    stage: str = "identify"  # for display
    halted_s: float = 0.0  # for others that overtook it
    next_task: Task | None = None  # waits for an idle worker

    @property
    def key(self) -> str:
        return self.candidate.key

    def private_folder(self, root: Path) -> Path:
        """Where its outputs are made. A root without its .staging is a share that is away."""
        if not (root / STAGING).is_dir():
            raise FolderUnreachable(
                str(root), "it is not there any more", "mount the share, or restart the service"
            )
        return root / STAGING / f"{PREFIX}{self.id}"
