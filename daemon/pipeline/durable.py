"""Runs in a worker: a job, then the fsync of all it wrote: the main loop never waits for the disk."""

from __future__ import annotations

from collections.abc import Callable

from daemon.core.atomic import machine_error, sync_tree
from daemon.pipeline.job import JobRequest, JobResult
from daemon.workers.process import resolve


def run_durably(function: str, request: JobRequest, on_stage: Callable[[str], None]) -> JobResult:
    """``function`` ("module:name") does the job. Raises MachineError when the disk refuses its outputs."""
    result: JobResult = resolve(function)(request, on_stage)
    on_stage("save")
    try:
        sync_tree(request.staging)
    except OSError as error:
        raise machine_error(error, request.staging) from error
    return result
