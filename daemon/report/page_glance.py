"""The rows at the top of the page: tempo, key, start and level, as they are read from across the room."""

from __future__ import annotations

from dataclasses import dataclass

from analyzers.model import Analysis, Grid
from daemon.core.names import format_tempo
from daemon.report.answers import GAIN, LIMITED_BY
from daemon.report.parts import Estimate
from daemon.report.report import Report
from daemon.report.words import (
    WORTH_SAYING,
    bar_or_time,
    counted,
    glance_tempo,
    percent,
    rival_keys,
    seconds,
    sentence,
    signed,
    topics,
)

SAID_GAIN_DB = 0.05  # a smaller one is not worth a word


@dataclass(frozen=True, slots=True)
class Row:
    """One answer at arm's length: label, value, unit, small print, how sure (None: not a guess)."""

    label: str
    value: str
    unit: str = ""
    notes: tuple[str, ...] = ()
    sure: float | None = None
    by_hand: str | None = None
    topic: str = ""  # what `sure` is about, as in `words.topics`
    sure_of: str = ""  # the same in words, where the label does not say it
    copy_key: str = ""  # this key copies the value


def glance(report: Report, analysis: Analysis) -> list[Row]:
    """The rows that are read from across the room."""
    rows = [_tempo(report, analysis), _key(report, analysis), _cut(report)]
    flagged = "tuning" in topics(report.check_by_ear)
    if report.answers.tuning.value is not None and (flagged or report.answers.tuning.set_by_hand):
        rows.insert(2, _tuning(report))
    return [*rows, _level(report)]


def _by_hand(estimate: Estimate, unit: str = "") -> str | None:
    if not estimate.set_by_hand:
        return None
    measured = estimate.measured
    if isinstance(measured, float):
        measured = format_tempo(measured)
    return "set by hand" + (f"; measured {measured}{unit}" if measured is not None else "")


def _tempo(report: Report, analysis: Analysis) -> Row:
    tempo, grid = report.answers.tempo, analysis.grid
    if grid.tempo_bpm is None:
        return Row("Tempo", "none", notes=(sentence(str(tempo.reason)),))
    moving = moves(grid)
    notes = [
        "take the tempo map, not one number" if moving else "steady to the end",
        *([counted(grid)] if grid.meter else []),
        *(
            f"or {'on average ' if moving else ''}{format_tempo(round(c.bpm, 2))} ({percent(c.probability)})"
            for c in grid.tempo_alternatives
            if abs(c.bpm / grid.tempo_bpm - 1) > 0.001 and c.probability >= WORTH_SAYING
        ),
    ]
    return Row(
        "Tempo",
        str(glance_tempo(grid, analysis.duration_s)),
        "BPM, moving" if moving else "BPM",
        tuple(notes),
        tempo.confidence,
        _by_hand(tempo, " BPM"),
        "tempo",
        "of the beat, not half or twice it" if moving else "",
        "" if moving else "t",
    )


def moves(grid: Grid) -> bool:
    return grid.tempo_bpm is not None and grid.constant_tempo is False


def _key(report: Report, analysis: Analysis) -> Row:
    estimate, key = report.answers.key, analysis.key
    if estimate.value is None:
        return Row("Key", "none", notes=(sentence(str(estimate.reason)), "Pitch correction: chromatic."))
    others = [c for c in rival_keys(key)[:2] if c.probability >= WORTH_SAYING]
    notes = [f"or {c.tonic} {c.mode} ({percent(c.probability)})" for c in others]
    notes += [f"changes to {c.tonic} {c.mode} at {bar_or_time(analysis.grid, c.at_s)}" for c in key.changes]
    later = ", ".join(f"then {c.tonic} {c.mode}" for c in key.changes[:2])
    return Row(
        "Key",
        str(estimate.value),
        later,
        tuple(notes),
        estimate.confidence,
        _by_hand(estimate),
        "key",
        "of the first key" if key.changes else "",
        "k",
    )


def _tuning(report: Report) -> Row:
    tuning = report.answers.tuning
    cents = float(tuning.value or 0.0)
    a4 = 440 * 2 ** (cents / 1200)
    notes = (f"A4 = {a4:.1f} Hz",)
    return Row(
        "Tuning", signed(cents), "cents", notes, tuning.confidence, _by_hand(tuning, " cents"), "tuning"
    )


def _cut(report: Report) -> Row:
    """Where bar one lies, what was cut and what comes before; how it was done is in the evidence."""
    cut, one = report.cut, report.answers.bar_one
    if cut.bar_one_in_copy_s is None:
        value = "not on a bar line"
    elif cut.bars_before_bar_one == 0:
        value = "starts on bar one"
    else:
        value = f"song starts at bar {cut.bars_before_bar_one + 1}"
    notes = [cut.before_bar_one] if cut.before_bar_one else []
    notes.append(f"{seconds(cut.zero_s)} cut off the front" if cut.zero_s > 0 else "nothing cut off")
    if cut.pad_samples:
        notes.append(f"{seconds(cut.pad_samples / report.drop.rate)} of silence put in front")
    if any("listen" in warning for warning in report.aligned_copy.warnings):
        notes.append("it begins inside a sound: listen to its first moment")
    return Row("Start", value, "", tuple(notes), one.confidence, _by_hand(one, " s"), "bar one", "of bar one")


def _level(report: Report) -> Row:
    """What to do with the fader, large; what the copy is and becomes, beside it."""
    loudness, peak = report.answers.integrated_loudness, report.answers.true_peak
    if loudness.value is None:
        return Row("Level", "unknown", notes=(sentence(str(loudness.reason)),))
    told = {item.what: item.value for item in loudness.evidence}
    level, gain_db = float(loudness.value), float(told.get(GAIN) or 0.0)
    notes = [f"this copy: {signed(level, 1)} LUFS"]
    if peak.value is not None:
        notes[0] += f", true peak {signed(float(peak.value), 1)} dBTP"
    if abs(report.aligned_copy.gain_db) >= SAID_GAIN_DB:
        notes.append(f"it was already {_turned(report.aligned_copy.gain_db)} from the producer's file")
    if abs(gain_db) < SAID_GAIN_DB:
        value = "leave the fader"
    else:
        value = f"turn {'down' if gain_db < 0 else 'up'} {abs(gain_db):.1f} dB"
        notes.append(f"after that: {signed(level + gain_db, 1)} LUFS")
    limits = {"loudness": "the level this studio works at", "true peak": "its peaks allow no more"}
    if (why := limits.get(str(told.get(LIMITED_BY)))) is not None:
        notes[-1] += f", {why}"
    return Row("Level", value, "", tuple(notes))


def _turned(gain_db: float) -> str:
    return f"turned {'down' if gain_db < 0 else 'up'} by {abs(gain_db):.1f} dB"
