"""Make the outputs of a ready folder again with a correction, without a new analysis.

The source is decoded again, because the copy is cut from it (or, when the producer's file is gone, from the
copy before: `fromcopy`); everything else comes from the report.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from config.settings import Settings
from daemon.core.atomic import STAGING, discard, machine_error
from daemon.core.errors import BeatintakeError, MachineError
from daemon.core.private import private_name
from daemon.corrections.apply import Correction, apply_correction
from daemon.decode.identity import identify
from daemon.decode.inside import called, identify_inner
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.pipeline.inplace import replace_in
from daemon.report.report import Report, read_report

if TYPE_CHECKING:
    from daemon.decode.spool import Scratch

REPORT_PATTERN = "*.report.json"
MOST_OTHERS = 20  # files of the same length that are read for the producer's
AGAIN = "process the drop again: beatintake process --again"


def report_of(folder: Path) -> tuple[Path, Report]:
    """The report in a ready folder and its path."""
    found = sorted(path for path in folder.glob(REPORT_PATTERN) if stat.S_ISREG(path.lstat().st_mode))
    if not found:
        raise MachineError(str(folder), "there is no report in it", AGAIN)
    return found[0], read_report(found[0])


def remake(settings: Settings, folder: Path, report: Report, correction: Correction | None) -> Report:
    """Render everything again and put it in place. Returns the new report."""
    from daemon.decode.spool import Scratch

    staging = folder.parent / STAGING / private_name("correct-")
    try:
        (staging / "out").mkdir(parents=True)
        with Scratch(staging / "work") as scratch:
            made = _render(settings, folder, report, correction, staging / "out", scratch)
        replace_in(folder, staging / "out")
    except OSError as error:
        raise machine_error(error, folder) from error
    finally:
        discard(staging)
    return made


def _render(
    settings: Settings,
    folder: Path,
    report: Report,
    correction: Correction | None,
    out: Path,
    scratch: Scratch,
) -> Report:
    from daemon.decode.decoder import decode
    from daemon.pipeline.fromcopy import decoded_from_copy, remarks
    from daemon.pipeline.render import cut_plan, render_drop

    source, drop = find_source(settings, report), report.drop
    said: tuple[str, ...] = ()
    if source is None:
        decoded = decoded_from_copy(folder, report, scratch)
        shown = apply_correction(report.analysis, correction) if correction else report.analysis
        said = remarks(report, shown, cut_plan(shown, decoded, settings, correction))
    else:
        path, inner = inside(source)
        decoded = decode(
            path,
            limits=settings.limits,
            ignore=settings.arrival.ignore,
            producer=drop.producer,
            scratch=scratch,
            inner=inner,
        )
    facts = replace(decoded.source, name=drop.name, pack=drop.pack, other_mixes=drop.other_mixes)
    decoded = replace(decoded, source=facts)
    return render_drop(
        decoded,
        report.analysis,
        settings,
        out,
        report.files.report.removesuffix(".report.json"),
        correction=correction,
        versions=report.versions,
        music=report.fingerprint,
        made_at=report.made_at,
        remarks=said,
        whole=source is not None,
    )


def find_source(settings: Settings, report: Report) -> Path | None:
    """The producer's file: by the ledger, by name, else by its length and bytes; None when it is gone.

    Of a beat in a zip of several the path goes on inside the zip (see `inside`).
    """
    tried: set[Path] = set()
    for path in _candidates(settings, report):
        if path in tried:
            continue
        tried.add(path)
        try:
            if _identity(path, settings) == report.drop.sha256:
                return path
        except BeatintakeError:
            continue  # a link or a pipe, unreadable, or gone again
    return None


def inside(path: Path) -> tuple[Path, str | None]:
    """A path that goes on inside a file (a zip of several beats): the file, and the rest."""
    for above in path.parents:
        if above.is_file():
            return above, path.relative_to(above).as_posix()
    return path, None


def _identity(path: Path, settings: Settings) -> str | None:
    whole, inner = inside(path)
    if not os.path.lexists(whole):
        return None
    if inner is None:
        return identify(path, settings.arrival.ignore)
    return identify_inner(whole, inner, settings.limits, settings.arrival.ignore).sha256


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
    there = sorted(incoming.rglob("*")) if incoming.is_dir() else []
    yield from (path for path in there if path.name == report.drop.name)
    yield from [path for path in there if _is_as_long(path, report.drop.bytes)][:MOST_OTHERS]
    if report.drop.pack:
        zips = [path for path in there if path.suffix.lower() == ".zip"][:MOST_OTHERS]
        for path in zips:
            names = called(path, report.drop.name, settings.limits, settings.arrival.ignore)
            yield from (path / name for name in names)


def _is_as_long(path: Path, size: int) -> bool:
    try:
        facts = path.lstat()
    except OSError:
        return False
    return stat.S_ISREG(facts.st_mode) and facts.st_size == size
