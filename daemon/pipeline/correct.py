"""The engineer's corrections: `correct`, `undo`, and correction files beside a report.

A correction is stored first and then rendered: even when the copy cannot be made again now (the
producer's file is away), it is in force when the same bytes come by again.
"""

from __future__ import annotations

import logging
import sqlite3
import stat
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from analyzers.harmony.spelling import key_name
from config.settings import Settings
from daemon.core.atomic import FULL, atomic_write
from daemon.core.errors import (
    BeatintakeError,
    ChangedWhileReading,
    DiskFull,
    FolderUnreachable,
    MachineError,
    WrongRequest,
)
from daemon.core.logs import note
from daemon.core.names import ears_words
from daemon.core.oserrors import plainly
from daemon.core.text import lines, one_line
from daemon.corrections.apply import Correction
from daemon.corrections.files import APPLIED_FILE, CORRECTION_FILE, REASON_FILE, REFUSED_FILE
from daemon.corrections.reading import read_correction_file
from daemon.corrections.store import add_correction, drop_last, read_history
from daemon.corrections.words import make_correction
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.pipeline.find import find_ready
from daemon.pipeline.remake import remake, report_of
from daemon.report.board import rebuild_board
from daemon.report.refusal_note import show_refusal
from daemon.report.report import Report
from daemon.report.words import cents_words, key_line, start_words, tempo_line

log = logging.getLogger("beatintake.corrections")


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of a correction file. "later": the machine is in the way."""

    kind: Literal["applied", "refused", "later"]
    text: str


def correct_drop(settings: Settings, name: str, wanted: Mapping[str, Any]) -> int:
    """The command: correct one ready beat and say what became of it. Returns the exit code."""
    begin = time.perf_counter()
    made = apply_to_folder(settings, find_ready(settings.folders, name), wanted)
    print(f"{headline(made)}; made again in {time.perf_counter() - begin:.1f} s")
    return 0


def undo_correction(settings: Settings, name: str) -> int:
    """The command: take the last correction back."""
    folder = find_ready(settings.folders, name)
    _, report = report_of(folder)
    history = read_history(settings.folders.state, report.drop.sha256)
    if not history.entries:
        raise WrongRequest(report.drop.name, "nothing was corrected", "there is nothing to take back")
    history = drop_last(settings.folders.state, history)
    correction = history.entries[-1].correction if history.entries else None
    made = _render(settings, folder, report, correction)
    print(f"{headline(made)}; the correction before is in force" if correction else headline(made))
    return 0


def apply_to_folder(
    settings: Settings, folder: Path, wanted: Mapping[str, Any], file: str | None = None
) -> Report:
    """Store a correction of one ready folder and make its outputs again.

    `file` tells a correction file; one that was stored already (and then interrupted) is only rendered.
    """
    _, report = report_of(folder)
    state, drop = settings.folders.state, report.drop
    entries = read_history(state, drop.sha256).entries
    if file and entries and entries[-1].file == file:
        return _render(settings, folder, report, entries[-1].correction)
    current = entries[-1].correction if entries else report.correction
    cut = report.cut
    correction = make_correction(
        wanted, report.analysis, current, cut.bars_before_bar_one, cut.session_shift_s
    )
    add_correction(
        state, drop.sha256, drop.name, correction, _measured(report), report.software.version, file
    )
    return _render(settings, folder, report, correction)


def _measured(report: Report) -> dict[str, Any]:
    found = report.analysis
    grid, key = found.grid, found.key
    answers = {
        "tempo": (grid.tempo_bpm, grid.tempo_confidence),
        "meter": (grid.meter, grid.meter_confidence),
        "bar_one": (grid.bar_one_s, grid.bar_one_confidence),
        "key": (key_name(key.tonic, key.mode), key.confidence),
        "tuning": (found.tuning.cents, found.tuning.confidence),
    }
    return {name: {"value": value, "confidence": sure} for name, (value, sure) in answers.items()}


def _render(settings: Settings, folder: Path, report: Report, correction: Correction | None) -> Report:
    made = remake(settings, folder, report, correction)
    _update_ledger(settings, made)
    rebuild_board(settings)
    return made


def _update_ledger(settings: Settings, report: Report) -> None:
    path = ledger_path(settings.folders.state)
    if not path.exists():
        return
    try:
        ledger = Ledger.open(path)
    except sqlite3.DatabaseError:
        return  # the service makes it again from the reports
    try:
        record = ledger.find(report.drop.sha256)
        if record is not None:
            ledger.record(replace(record, summary={**record.summary, **report.summary()}))
    finally:
        ledger.close()


def headline(report: Report) -> str:
    """'amber-lane.wav: 70 BPM (by hand), C minor, song starts at bar 1, check hum by ear': as on the card."""
    answers, now = report.answers, report.corrected()
    words = []
    for estimate, text in (
        (answers.tempo, lambda _: tempo_line(now.grid, now.duration_s)),
        (answers.key, lambda _: str(key_line(now.key))),
        (answers.bar_one, lambda _: start_words(report.cut)),
        (answers.meter, str),
        (answers.tuning, lambda v: f"tuning {cents_words(v)}"),
    ):
        if estimate.value is not None and (estimate.set_by_hand or estimate is not answers.tuning):
            words.append(text(estimate.value) + (" (by hand)" if estimate.set_by_hand else ""))
    found = ", ".join(filter(None, (*words, ears_words(report.summary()))))
    return one_line(f"{report.drop.name}: {found or 'nothing known'}")


def correct_from_file(settings: Settings, folder: Path) -> FileOutcome:
    """Apply the correction file in a ready folder; it is renamed after its outcome. Raises MemoryError only:
    whatever is wrong with the file is its own outcome.
    """
    path = folder / CORRECTION_FILE
    try:
        wanted = read_correction_file(path)
        made = apply_to_folder(settings, folder, wanted.values, wanted.token)
    except (DiskFull, FolderUnreachable, ChangedWhileReading) as error:
        return FileOutcome("later", str(error))
    except BeatintakeError as error:
        return _refuse(folder, str(error))
    except OSError as error:
        kind = "later" if error.errno in FULL else "refused"
        cause = MachineError(folder.name, f"it cannot be written ({plainly(error)})", "look at the folder")
        return _refuse(folder, str(cause)) if kind == "refused" else FileOutcome("later", str(cause))
    except MemoryError:
        raise
    except Exception as error:
        note(log, logging.ERROR, "a correction file met an error of ours", folder=folder, detail=repr(error))
        return _refuse(folder, f"{CORRECTION_FILE}: it cannot be used; write it anew, in plain lines.")
    with suppress(OSError):
        path.replace(folder / APPLIED_FILE)
    for old in (REFUSED_FILE, REASON_FILE):
        with suppress(OSError):
            (folder / old).unlink(missing_ok=True)
    return FileOutcome("applied", headline(made))


def _refuse(folder: Path, reason: str) -> FileOutcome:
    """Put the file aside and say why beside it and on the page, as far as the folder lets us."""
    path, reason = folder / CORRECTION_FILE, lines(reason)
    with suppress(OSError):
        if stat.S_ISREG(path.lstat().st_mode):
            path.replace(folder / REFUSED_FILE)
    with suppress(OSError):
        atomic_write(folder / REASON_FILE, f"{reason}\n".encode())
    with suppress(OSError, BeatintakeError):
        show_refusal(folder / Path(report_of(folder)[1].files.page).name, reason)
    return FileOutcome("refused", reason)
