"""The rows at the top of the page: tempo, key, start and level, as they are read from across the room."""

from __future__ import annotations

from dataclasses import dataclass

from analyzers.harmony.key_change import later_changes
from analyzers.model import Analysis, Grid, Tuning
from daemon.core.names import format_tempo
from daemon.export.cutwords import SAID_LATE_S
from daemon.report.answers import GAIN, LIMITED_BY
from daemon.report.ear_topics import topics
from daemon.report.page_key import Below, key_lines
from daemon.report.parts import AlignedCopy, Estimate, stems_above_db
from daemon.report.report import Report
from daemon.report.rivals import (
    counted_words,
    in_meter,
    open_level,
    rival_keys,
    rival_places,
    rival_tempi,
    worth_naming,
)
from daemon.report.words import (
    FIRST_BAR,
    LIMITS,
    NOT_MEASURED,
    SAID_DB,
    asks_for_ears,
    cents_unit,
    counted,
    glance_tempo,
    key_from,
    key_line,
    later_keys,
    motion,
    moves,
    percent,
    quarters_tempo,
    seconds,
    sentence,
    signed,
    start_words,
    steady_part,
    stems_words,
    tempi_words,
    tempo_course,
    tempo_line,
    tuning_course,
    unit,
)

LEAST_SECONDS = 0.01  # less is said in milliseconds
OVER = "the true peak lies above full scale, between the samples"


@dataclass(frozen=True, slots=True)
class Row:
    """One answer at arm's length: label, value, unit, small print, how sure (None: not a guess)."""

    label: str
    value: str
    unit: str = ""
    notes: tuple[str, ...] = ()
    sure: float | None = None
    by_hand: str | None = None
    topic: str = ""  # what `sure` is about, as in `ear_topics.topics`
    sure_of: str = ""  # the same in words, where the label does not say it
    copy_key: str = ""  # this key copies the value
    below: tuple[Below, ...] = ()  # whole lines


def glance(report: Report, analysis: Analysis, sure: float) -> list[Row]:
    """The rows that are read from across the room; `sure`: see `key_lines`."""
    rows = [_tempo(report, analysis), _key(report, analysis, sure), _cut(report, analysis.grid)]
    flagged = "tuning" in topics(report.check_by_ear)
    if report.answers.tuning.value is not None and (flagged or report.answers.tuning.set_by_hand):
        rows.insert(2, _tuning(report, analysis.tuning, sure))
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
    moving, found = moves(grid), report.analysis
    by_hand = f"set by hand; measured {tempo_line(found.grid, found.duration_s)}"
    session = _session_tempo(grid, analysis.duration_s)
    part = steady_part(grid)
    told = not part and not tempo.set_by_hand  # how sure it is that the tempo is constant throughout
    held = f"constant{part}" + (f", {percent(grid.constant_confidence)} sure" if told else "")
    notes = [
        f"{tempo_course(grid)}; take the tempo map, not one number" if moving else held,
        *([counted(grid)] if grid.meter else []),
        *(
            f"or {tempi_words(grid, c.bpm)}{in_meter(grid, c.bpm)} ({percent(c.probability)})"
            for c in worth_naming(rival_tempi(grid))
        ),
        *filter(None, [counted_words(grid)]),
    ]
    return Row(
        "Tempo",
        str(glance_tempo(grid, analysis.duration_s)),
        f"{unit(grid)}{motion(grid)}",
        tuple(notes),
        tempo.confidence,
        by_hand if tempo.set_by_hand else None,
        "tempo",
        "of the beat, not half or twice it" if moving and open_level(grid) is None else "",
        "" if moving or session else "t",
        session,
    )


def _session_tempo(grid: Grid, duration_s: float) -> tuple[Below, ...]:
    """The tempo to type into a session, where that is another number."""
    shown, before = quarters_tempo(grid, duration_s), "in quarters, as a session counts:"
    if shown is None:
        return ()
    return (Below(f"{before} {shown} BPM"),) if moves(grid) else (Below(before, shown, "BPM", "t"),)


def _key(report: Report, analysis: Analysis, sure: float) -> Row:
    estimate, key = report.answers.key, analysis.key
    if estimate.value is None:
        why = sentence(str(estimate.reason)).rstrip(".")
        return Row("Key", "none", notes=(why, "set pitch correction to chromatic"))
    return Row(
        "Key",
        str(estimate.value),
        str(key_line(key)) if key.blues else ", ".join([*key_from(key, analysis.grid), *later_keys(key)]),
        tuple(f"or {c.tonic} {c.mode} ({percent(c.probability)})" for c in worth_naming(rival_keys(key))),
        estimate.confidence,
        _by_hand(estimate),
        "key",
        "of the first key" if later_changes(key) else "",
        "k",
        tuple(key_lines(analysis, sure, estimate.set_by_hand)),
    )


def _tuning(report: Report, found: Tuning, sure: float) -> Row:
    tuning = report.answers.tuning
    if course := tuning_course(found):
        return Row("Tuning", course[0], "", (course[1], "no one A4 is right"), topic="tuning")
    cents = float(tuning.value or 0.0)
    a4 = 440 * 2 ** (cents / 1200)
    certain = tuning.confidence is None or tuning.confidence >= sure
    notes = (f"A4 = {a4:.1f} Hz" if certain else NOT_MEASURED,)
    return Row(
        "Tuning",
        signed(cents),
        cents_unit(cents),
        notes,
        tuning.confidence,
        _by_hand(tuning, " cents"),
        "tuning",
    )


def _span(length_s: float) -> str:
    """'1.25 s', '0.8 ms': never nothing."""
    return seconds(length_s) if length_s >= LEAST_SECONDS else f"{max(1000 * length_s, 0.1):.1f} ms"


def _cut(report: Report, grid: Grid) -> Row:
    """Where the song's first bar lies, what was cut and what comes before; the rest is in the evidence."""
    cut, one = report.cut, report.answers.bar_one
    value = start_words(cut)
    notes = [cut.before_bar_one] if cut.before_bar_one else []
    notes.append(f"{_span(cut.zero_s)} cut off the front" if cut.zero_s > 0 else "nothing cut off")
    front_s = cut.pad_samples / report.drop.rate
    if front_s >= SAID_LATE_S:
        notes.append(f"{_span(front_s)} of silence put in front")
    if asks_for_ears(report.aligned_copy.warnings):
        notes.append("it begins inside a sound")
    notes += [f"or the song starts {place}" for _, place in rival_places(grid)[:2]]
    by_hand = _by_hand(one, " s into the producer's file")
    sure = None if one.value is None else one.confidence
    return Row("Start", value, "", tuple(notes), sure, by_hand, FIRST_BAR, "of the song's first bar")


def _level(report: Report) -> Row:
    """What to do with the fader, large; what the copy is and becomes, beside it."""
    loudness, peak = report.answers.integrated_loudness, report.answers.true_peak
    if loudness.value is None:
        return Row("Level", "unknown", notes=(sentence(str(loudness.reason)).rstrip("."),))
    told = {item.what: item.value for item in loudness.evidence}
    level, gain_db, done_db = float(loudness.value), float(told.get(GAIN) or 0.0), report.aligned_copy.gain_db
    notes = [f"this copy: {signed(level, 1)} LUFS"]
    if peak.value is not None:
        notes[0] += f", true peak {signed(float(peak.value), 1)} dBTP"
    if stems := stems_words(stems_above_db(report.stems, report.aligned_copy)):
        notes[0] += f" ({stems})"
    turned = abs(gain_db) >= SAID_DB
    limit = LIMITS.get(str(told.get(LIMITED_BY)), "")
    if not turned:
        notes[0] += limit
    if abs(done_db) >= SAID_DB:
        notes.append(_done(report.aligned_copy))
    way = "down" if gain_db < 0 else "up"
    if turned:
        more = " more" if done_db <= -SAID_DB and gain_db < 0 else ""
        notes.append(f"turned {way} {abs(gain_db):.1f} dB{more}: {signed(level + gain_db, 1)} LUFS{limit}")
    if peak.value is not None and round(float(peak.value), 1) > 0:
        notes.append(_over(float(peak.value) + gain_db))
    if not turned:
        return Row("Level", "leave the fader", "", tuple(notes))
    return Row("Level", f"turn {way} {abs(gain_db):.1f} dB", "in the session, by hand", tuple(notes))


def _done(copy: AlignedCopy) -> str:
    """The gain that the copy has already, and what it is for."""
    peaks_db = min(copy.gain_db, 0.0) if copy.peaks_gain_db is None else copy.peaks_gain_db  # None: not told
    reasons = {
        "as output.apply_gain asks": copy.gain_db - peaks_db,
        "so that its peaks fit below full scale": peaks_db,
    }
    why = " and ".join(reason for reason, part_db in reasons.items() if abs(part_db) >= SAID_DB / 2)
    way = "lower" if copy.gain_db < 0 else "higher"
    return f"the copy is already {abs(copy.gain_db):.1f} dB {way} than the producer's file, {why}"


def _over(peak_after_dbtp: float) -> str:
    """A true peak above 0 dBTP between samples that are whole: what to do."""
    if peak_after_dbtp <= 0:
        return f"{OVER}: turning it down as said mends that"
    return f"{OVER}: leave that much headroom in converters and encoders"
