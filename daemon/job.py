"""One drop from file to staged folder: what a worker process runs.

The job only reads the drop and only writes into the private staging folder it was given;
publishing (fsync and rename) and bookkeeping are the parent's. A drop that cannot be used
ends as a `rejected` result with a reason; trouble of the machine is raised.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from config.settings import Settings
from daemon.errors import DropError


@dataclass(frozen=True, slots=True)
class JobRequest:
    drop: Path  # file or folder, never written to
    staging: Path  # private, empty folder for the outputs
    settings: Settings
    producer: str | None = None
    stamp: str | None = None  # ISO time of arrival, for the report


@dataclass(frozen=True, slots=True)
class JobResult:
    outcome: Literal["ready", "rejected"]
    folder_name: str
    sha256: str | None
    reason: str | None = None
    summary: dict[str, Any] = field(default_factory=dict)


def _ignore(_stage: str) -> None:
    return None


def run_job(request: JobRequest, on_stage: Callable[[str], None] = _ignore) -> JobResult:
    """Decode, analyse, render. Raises MachineError when the machine is in the way."""
    from daemon.decode import decode
    from daemon.names import safe_stem
    from daemon.render import analysis_options, render_drop

    stem = safe_stem(request.drop.name if request.drop.is_dir() else request.drop.stem)
    on_stage("decode")
    sha256: str | None = None
    try:
        decoded = decode(
            request.drop,
            limits=request.settings.limits,
            producer=request.producer,
            workdir=request.staging / ".work",
        )
        sha256 = decoded.source.sha256
        from analyzers.pipeline import analyse

        options = analysis_options(decoded.source, request.settings)
        analysis = analyse(decoded.signal, options, on_stage)
        on_stage("render")
        report = render_drop(decoded, analysis, request.settings, request.staging, stem, stamp=request.stamp)
    except DropError as error:
        return JobResult("rejected", stem, sha256, str(error))
    return JobResult("ready", stem, sha256, summary=report.summary())
