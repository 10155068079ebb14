"""Make the outputs of a ready folder again with a correction, without a new analysis.

The source is decoded again, because the copy is cut from it; everything else comes from the
report. New files replace old ones one by one, each whole, the report last; other files that
people keep in the folder stay.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from config.settings import Settings
from daemon.core.atomic import STAGING, discard, machine_error, patiently, sync_folder, sync_tree
from daemon.core.errors import BeatintakeError, DropWithdrawn, MachineError
from daemon.corrections.apply import Correction
from daemon.decode.identity import identify
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.report.report import Report, read_report

REPORT_PATTERN = "*.report.json"
AGAIN = "process the drop again: beatintake process --again"


def find_ready(ready: Path, name: str) -> Path:
    """The ready folder called `name`, or the only one whose name begins so. Raises BeatintakeError."""
    try:
        names = sorted(e.name for e in os.scandir(ready) if e.is_dir() and not e.name.startswith("."))
    except OSError as error:
        raise machine_error(error, ready) from error
    fitting = [name] if name in names else [n for n in names if n.casefold().startswith(name.casefold())]
    if len(fitting) == 1:
        return ready / fitting[0]
    if not fitting:
        raise BeatintakeError(name, "no ready beat is called so", "look at the board or the ready folder")
    listed = ", ".join(fitting[:5]) + (" ..." if len(fitting) > 5 else "")
    raise BeatintakeError(name, f"several names begin so: {listed}", "give more of the name")


def report_of(folder: Path) -> tuple[Path, Report]:
    """The report in a ready folder and its path."""
    found = sorted(folder.glob(REPORT_PATTERN))
    if not found:
        raise MachineError(str(folder), "there is no report in it", AGAIN)
    return found[0], read_report(found[0])


def remake(settings: Settings, folder: Path, report: Report, correction: Correction | None) -> Report:
    """Render everything again and put it in place. Returns the new report."""
    from daemon.decode.decoder import decode
    from daemon.decode.spool import Scratch
    from daemon.pipeline.render import render_drop

    staging = folder.parent / STAGING / f"correct-{secrets.token_hex(4)}"
    try:
        (staging / "out").mkdir(parents=True)
        source = find_source(settings, report)
        stem = report.files.report.removesuffix(".report.json")
        with Scratch(staging / "work") as scratch:
            decoded = decode(
                source,
                limits=settings.limits,
                ignore=settings.arrival.ignore,
                producer=report.drop.producer,
                scratch=scratch,
            )
            made = render_drop(
                decoded,
                report.analysis,
                settings,
                staging / "out",
                stem,
                correction=correction,
                versions=report.versions,
                music=report.fingerprint,
                made_at=report.made_at,
            )
        sync_tree(staging / "out")
        _replace(staging / "out", folder, made)
        _remove_stale(folder, report, made)
        sync_folder(folder)
    except OSError as error:
        raise machine_error(error, folder) from error
    finally:
        discard(staging)
    return made


def find_source(settings: Settings, report: Report) -> Path:
    """The producer's file, by the ledger and else by name. Raises DropWithdrawn when it is gone."""
    cause = "it is no longer in the incoming folder"
    for path in _candidates(settings, report):
        if path.exists():
            if identify(path, settings.arrival.ignore) == report.drop.sha256:
                return path
            cause = "in the incoming folder is another version by now"
    raise DropWithdrawn(report.drop.name, cause, _back(report))


def _back(report: Report) -> str:
    mark = report.drop.sha256[:12]
    return f"the correction is kept; put the file with SHA-256 {mark}... back and correct it again"


def _candidates(settings: Settings, report: Report) -> Iterator[Path]:
    incoming = settings.folders.incoming
    ledger_file = ledger_path(settings.folders.state)
    if ledger_file.exists():
        ledger = Ledger.read_only(ledger_file)
        try:
            paths = [path for path, _, sha256 in ledger.drops() if sha256 == report.drop.sha256]
        finally:
            ledger.close()
        yield from (incoming / path for path in paths)
    yield incoming / (report.drop.producer or "") / report.drop.name
    if incoming.is_dir():
        yield from sorted(path for path in incoming.rglob("*") if path.name == report.drop.name)


def _replace(made_in: Path, folder: Path, report: Report) -> None:
    """Move every new file over its old one; the report comes last, as the mark that all is there."""
    files = [path for path in made_in.rglob("*") if path.is_file()]
    for path in sorted(files, key=lambda p: (p.name == report.files.report, str(p))):
        target = folder / path.relative_to(made_in)
        target.parent.mkdir(exist_ok=True)
        patiently(lambda source=path, target=target: os.replace(source, target))  # type: ignore[misc]


def _remove_stale(folder: Path, before: Report, now: Report) -> None:
    """Old outputs whose name changed. Only names that the old report lists as ours."""
    kept = {str(name) for name in now.files.model_dump().values() if name}
    for name in before.files.model_dump().values():
        if name and name not in kept and Path(name).name == name:
            (folder / name).unlink(missing_ok=True)
