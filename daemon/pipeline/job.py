"""One drop from file to staged folder: what a worker process runs.

The job only reads the drop and only writes into the private staging folder it was given;
publishing (fsync and rename) and bookkeeping are the parent's. A drop that cannot be used
ends as a `rejected` result with a reason; trouble of the machine is raised.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from config.settings import Settings
from daemon.core.errors import DropError, SeveralBeats

if TYPE_CHECKING:
    from daemon.decode.decoder import Decoded
    from daemon.decode.several import Answer
    from daemon.decode.spool import Scratch

WORKDIR = ".work"


@dataclass(frozen=True, slots=True)
class JobRequest:
    drop: Path  # file or folder, never written to
    staging: Path  # private, empty folder for the outputs
    settings: Settings
    producer: str | None = None
    stamp: str | None = None  # ISO time of arrival, for the report
    part: str | None = None  # SHA-256 of a beginning of this file that was taken for the whole before
    inner: str | None = None  # of a zip of several beats, the one meant
    pack: str | None = None  # name of the folder or zip of beats that it belongs to
    other_mixes: tuple[str, ...] = ()  # files of that pack that are other mixes of this beat
    several: Answer | None = None  # what a person said about a folder or zip of several files


@dataclass(frozen=True, slots=True)
class JobResult:
    """``pack``: several beats, each a drop of its own (`mixes` in the summary); ``question``: a person must
    say whether it is one.
    """

    outcome: Literal["ready", "rejected", "pack", "question"]
    folder_name: str
    sha256: str | None
    reason: str | None = None
    summary: dict[str, Any] = field(default_factory=dict)


def stamp_now() -> str:
    """Local time with its offset, to the second."""
    return datetime.now(UTC).astimezone().isoformat(timespec="seconds")


def _ignore(_stage: str) -> None:
    return None


def run_job(request: JobRequest, on_stage: Callable[[str], None] = _ignore) -> JobResult:
    """Decode, analyse, render. Raises MachineError when the machine is in the way."""
    from daemon.core.names import safe_stem
    from daemon.core.text import file_name
    from daemon.decode.spool import Scratch

    drop = Path(request.inner) if request.inner else request.drop
    stem = safe_stem(drop.name if request.inner is None and drop.is_dir() else drop.stem)
    try:
        with Scratch(request.staging / WORKDIR) as scratch:
            return _ready(request, stem, scratch, on_stage)
    except SeveralBeats as error:
        outcome: Literal["pack", "question"] = "pack" if error.sure else "question"
        reason = error.about(file_name(drop))
        return JobResult(outcome, stem, error.sha256 or None, reason, {"mixes": error.mixes})
    except DropError as error:
        return JobResult("rejected", stem, None, error.about(file_name(drop)))


def _ready(request: JobRequest, stem: str, scratch: Scratch, on_stage: Callable[[str], None]) -> JobResult:
    from analyzers.pipeline import analyse
    from analyzers.structure.fingerprint import fingerprint
    from daemon.corrections.store import carry_over, stored_correction
    from daemon.decode.decoder import decode
    from daemon.decode.identity import beginning
    from daemon.pipeline.render import analysis_options, render_drop
    from daemon.pipeline.versions import find_version

    settings = request.settings
    on_stage("decode")
    decoded = decode(
        request.drop,
        limits=settings.limits,
        ignore=settings.arrival.ignore,
        producer=request.producer,
        scratch=scratch,
        several=request.several,
        inner=request.inner,
    )
    sha256 = decoded.source.sha256
    source = replace(decoded.source, pack=request.pack, other_mixes=request.other_mixes)
    decoded = replace(decoded, source=source)
    if request.part:
        carried = carry_over(settings.folders.state, request.part, sha256)
        decoded = _instead_of_a_part(decoded, carried)
    with second_thread(settings) as beside:
        analysis = analyse(decoded.signal, analysis_options(decoded.source, settings), on_stage, beside)
        on_stage("compare")
        folders, music = settings.folders, fingerprint(decoded.signal, analysis.grid)
        versions = find_version(folders.ready, folders.state, decoded.source, analysis, music, request.part)
        on_stage("render")
        report = render_drop(
            decoded,
            analysis,
            settings,
            request.staging,
            stem,
            correction=stored_correction(folders.state, sha256),
            versions=versions,
            music=music,
            made_at=request.stamp,
            beside=beside,
        )
    summary = report.summary() | ({"replaces_part": True} if request.part else {})
    if request.drop.is_file() and request.inner is None:
        if solid := beginning(request.drop):
            summary["beginning"] = solid
        if decoded.path != request.drop:
            summary["beginnings"] = _inside(decoded, scratch)
    return JobResult("ready", stem, sha256, summary=summary)


@contextmanager
def second_thread(settings: Settings) -> Iterator[Executor | None]:
    """For analysis and rendering, where each worker has a processor to spare; else it would be in the way."""
    if (os.cpu_count() or 1) < 2 * settings.work.max_workers:
        yield None
        return
    with ThreadPoolExecutor(1) as beside:
        yield beside


def _inside(decoded: Decoded, scratch: Scratch) -> dict[str, tuple[str, int]]:
    """SHA-256 and length of the files of a zip by their names in it: see `identity.Identity`."""
    from daemon.decode.identity import identify

    files = {stem.path: stem.sha256 for stem in decoded.stems} or {decoded.path: identify(decoded.path)}
    names = {path: "/".join(path.relative_to(scratch.folder).parts[1:]) for path in files}
    return {names[path]: (sha256, path.stat().st_size) for path, sha256 in files.items()}


def _instead_of_a_part(decoded: Decoded, corrected: bool) -> Decoded:
    """Say in the report that a part of this file had been published, and what became of its corrections."""
    kept = " The corrections made on it were kept: check them." if corrected else ""
    said = (
        "Replaced: an incomplete copy of this file had arrived first and was published; use this one instead "
        f"of what was imported from it.{kept}"
    )
    return replace(decoded, source=replace(decoded.source, warnings=(said, *decoded.source.warnings)))
