"""The engineer's corrections: `correct`, `undo`, and correction files beside a report.

A correction is stored first and then rendered: even when the copy cannot be made again now (the
producer's file is away), it is in force when the same bytes come by again.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from analyzers.harmony.spelling import key_name
from config.settings import Settings
from daemon.core.atomic import atomic_write
from daemon.core.errors import BeatintakeError
from daemon.core.text import lines, one_line
from daemon.corrections.apply import Correction
from daemon.corrections.files import CORRECTION_FILE
from daemon.corrections.store import add_correction, drop_last, read_history, stored_correction
from daemon.corrections.words import make_correction, read_correction_file
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.pipeline.remake import find_ready, remake, report_of
from daemon.report.board import rebuild_board
from daemon.report.report import Report

APPLIED_FILE = "correction applied.yaml"
REFUSED_FILE = "correction refused.yaml"
REASON_FILE = "correction refused.txt"


def correct_drop(settings: Settings, name: str, wanted: Mapping[str, Any]) -> int:
    """The command: correct one ready beat and say what became of it. Returns the exit code."""
    begin = time.perf_counter()
    made = apply_to_folder(settings, find_ready(settings.folders.ready, name), wanted)
    print(f"{headline(made)}; made again in {time.perf_counter() - begin:.1f} s")
    return 0


def undo_correction(settings: Settings, name: str) -> int:
    """The command: take the last correction back."""
    folder = find_ready(settings.folders.ready, name)
    _, report = report_of(folder)
    history = read_history(settings.folders.state, report.drop.sha256)
    if not history.entries:
        raise BeatintakeError(report.drop.name, "nothing was corrected", "there is nothing to take back")
    history = drop_last(settings.folders.state, history)
    correction = history.entries[-1].correction if history.entries else None
    made = _render(settings, folder, report, correction)
    print(f"{headline(made)}; the correction before is in force" if correction else headline(made))
    return 0


def apply_to_folder(settings: Settings, folder: Path, wanted: Mapping[str, Any]) -> Report:
    """Store a correction of one ready folder and make its outputs again."""
    _, report = report_of(folder)
    state = settings.folders.state
    current = stored_correction(state, report.drop.sha256) or report.correction
    correction = make_correction(wanted, report.analysis, current)
    add_correction(
        state, report.drop.sha256, report.drop.name, correction, _measured(report), report.software.version
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
    rebuild_board(settings.folders.ready, settings.folders.state)
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
    """'amber-lane.wav: 70 BPM (by hand), E flat minor, bar one at 0.7500 s'."""
    answers = report.answers
    words = []
    for estimate, text in (
        (answers.tempo, lambda v: f"{v:g} BPM"),
        (answers.key, str),
        (answers.bar_one, lambda v: f"bar one at {v:.4f} s"),
        (answers.meter, str),
        (answers.tuning, lambda v: f"tuning {v:+.0f} cents"),
    ):
        if estimate.value is not None and (estimate.set_by_hand or estimate is not answers.tuning):
            words.append(text(estimate.value) + (" (by hand)" if estimate.set_by_hand else ""))
    return one_line(f"{report.drop.name}: {', '.join(words) or 'nothing known'}")


def correct_from_file(settings: Settings, folder: Path) -> str:
    """Apply the correction file in a ready folder; it is renamed after its outcome. Returns one sentence."""
    path = folder / CORRECTION_FILE
    try:
        made = apply_to_folder(settings, folder, read_correction_file(path))
    except BeatintakeError as error:
        path.replace(folder / REFUSED_FILE)
        atomic_write(folder / REASON_FILE, lines(f"{error}\n").encode())
        return f"{folder.name}: the correction file was refused: {error}"
    path.replace(folder / APPLIED_FILE)
    for old in (REFUSED_FILE, REASON_FILE):
        (folder / old).unlink(missing_ok=True)
    return headline(made)
