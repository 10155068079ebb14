"""An analysis on the session's clock: second zero and bar 1 are where the copy starts.

The analysis itself is in the time of the producer's file. What is shown or written beside the copy is
taken from this view of it, so that page, card, cues, map and report name one bar and one second for one
event. Lines of the grid, and what begins on one (chords, sections, key changes), move with the session's
lines; sounds keep their place in the audio.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Protocol

from analyzers.level.working_level import after_gain
from analyzers.model import (
    Analysis,
    BeatRestart,
    Flag,
    Grid,
    Key,
    KeyChange,
    Loudness,
    OtherLevel,
    Section,
)
from analyzers.rhythm.bars import bar_lines, nearest_line
from analyzers.signal.truepeak import OVER_DBTP
from daemon.export.copylevel import with_peaks
from daemon.export.plan import ON_LINE_S
from daemon.export.ruler import tempi_of_map
from daemon.export.sessionbeats import Placement, session_beats

SAID_GAIN_DB = 0.05
SAME_LINE_S = 1e-3
BESIDE_BEAT_S = 0.03  # a sound so little ahead of a beat is that beat's
Lines = Sequence[tuple[int, float]]  # (bar, s), as from `bar_lines`
SHORT_TERM_S = 3.0  # window of the loudness curve, which is told at its end
LEVELS = ("integrated_lufs", "sample_peak_dbfs", "true_peak_dbtp", "range_lu", "max_short_term_lufs")
SAID_S = 0.005  # a shorter span is written as nothing
PEAK_FLAGS = ("over-full-scale", "inter-sample-over")  # about the highest place, of several perhaps
SPOT_FLAGS = (*PEAK_FLAGS, "clipping", "dropout", "voice")
LEVEL_FLAGS = (*PEAK_FLAGS, "very-loud", "very-quiet")
FEW_TEMPI = 2  # so many are said with their places; of more the curve is that of the tempo map


class CopyLevel(Protocol):
    """What is needed of the copy's level; what is not known is the source's plus the gain."""

    @property
    def gain_db(self) -> float: ...
    @property
    def integrated_lufs(self) -> float | None: ...
    @property
    def sample_peak_dbfs(self) -> float | None: ...
    @property
    def true_peak_dbtp(self) -> float | None: ...
    @property
    def range_lu(self) -> float | None: ...
    @property
    def max_short_term_lufs(self) -> float | None: ...


def in_session(analysis: Analysis, cut: Placement, level: CopyLevel | None = None) -> Analysis:
    """The analysis as the session has it.

    Parameters
    ----------
    analysis : in the time of the source, corrections applied
    cut : where the copy was cut
    level : of the copy; by default that of the source

    The grid's bar one is the session's: it begins with the copy (`sessionbeats`). Without a grid only the
    seconds move. Sections and key changes begin with a bar of the session, also where its lines were set
    by hand after they were found, and nothing lies outside the copy. The first chord begins with the beat of
    the first sound, not with the silence before it.
    """
    rate, gain_db = analysis.rate, level.gain_db if level else 0.0
    loudness = _loudness(analysis.loudness, cut, level, rate)
    line_s = cut.session_shift_s - cut.zero_s
    grid = analysis.grid
    end_s = cut.source_end / rate - cut.zero_s
    first = analysis.lead_in.first_sound_s
    session_grid = _grid(grid, cut, line_s, end_s)
    lines = bar_lines(session_grid)
    sound_s = 0.0 if first is None else first - cut.zero_s
    chords_s = max((at for at in session_grid.beats_s if at <= sound_s + BESIDE_BEAT_S), default=0.0)
    return replace(
        analysis,
        duration_s=end_s,
        lead_in=replace(analysis.lead_in, first_sound_s=None if first is None else first - cut.zero_s),
        grid=session_grid,
        key=_key(analysis.key, lines, line_s, end_s),
        chords=tuple(
            replace(c, start_s=max(c.start_s + line_s, chords_s), end_s=min(c.end_s + line_s, end_s))
            for c in analysis.chords
            if c.end_s + line_s > chords_s + ON_LINE_S and c.start_s + line_s < end_s - ON_LINE_S
        ),
        sections=_sections(analysis.sections, lines, cut.bar_one_in_copy_s or 0.0, sound_s, line_s, end_s),
        loudness=loudness,
        flags=tuple(_flags(analysis.flags, cut, rate, analysis.loudness, loudness, gain_db)),
    )


def _key(key: Key, lines: Lines, line_s: float, end_s: float) -> Key:
    blues = key.blues and replace(key.blues, first_chorus_s=key.blues.first_chorus_s + line_s)
    changes: dict[float, KeyChange] = {}
    for change in key.changes:
        if change.at_s + line_s < end_s - ON_LINE_S:
            _, at = _bar_line(lines, change.at_s + line_s)
            changes[at] = replace(change, at_s=at)
    return replace(key, changes=tuple(changes.values()), blues=blues)


def _sections(
    sections: Sequence[Section], lines: Lines, one_s: float, sound_s: float, line_s: float, end_s: float
) -> tuple[Section, ...]:
    """The first one begins with the bar of the first sound where it holds what comes before bar one, not
    with bars of silence; of those that begin with the same bar the last is left.
    """
    found: dict[float, Section] = {}
    for number, section in enumerate(sections):
        at = section.start_s + line_s
        if number == 0 and at < one_s - SAME_LINE_S:
            at = max((line for _, line in lines if line <= sound_s + BESIDE_BEAT_S), default=0.0)
        if at < end_s - ON_LINE_S:
            bar, at = _bar_line(lines, at)
            found[at] = replace(section, start_s=at, end_s=min(section.end_s + line_s, end_s), first_bar=bar)
    kept = list(found.values())
    ended = [replace(section, end_s=after.start_s) for section, after in pairwise(kept)]
    return (*ended, *kept[-1:])


def _bar_line(lines: Lines, at_s: float) -> tuple[int, float]:
    """(bar, s) of the nearest line; without a grid the instant itself."""
    return nearest_line(lines, at_s) if lines else (1, max(at_s, 0.0))


def _loudness(loudness: Loudness, cut: Placement, level: CopyLevel | None, rate: int) -> Loudness:
    """That of the copy; of the curve the windows that lie in it."""
    first_s, last_s = cut.source_start / rate + SHORT_TERM_S, cut.source_end / rate
    inside = ((at - cut.zero_s, lufs) for at, lufs in loudness.short_term_curve if first_s <= at <= last_s)
    loudness = replace(loudness, short_term_curve=tuple(inside))
    if level is None:
        return loudness
    known = {name: value for name in LEVELS if (value := getattr(level, name)) is not None}
    loudness = replace(after_gain(loudness, level.gain_db), **known)
    return with_peaks(loudness, loudness.sample_peak_dbfs, loudness.true_peak_dbtp)


def _flags(
    flags: Sequence[Flag], cut: Placement, rate: int, source: Loudness, copy: Loudness, gain_db: float
) -> Iterator[Flag]:
    """With their places in the copy, if it holds them; a fault of places that were cut off is none of it.

    Noise ahead of the music is most likely under it as well, and stays.
    """
    first_s, last_s = cut.source_start / rate, cut.source_end / rate
    over = (copy.true_peak_dbtp or 0.0) > OVER_DBTP
    for flag in flags:
        start, end = flag.start_s, flag.end_s
        last = start if end is None else end
        outside = start is not None and last is not None and (last < first_s or start >= last_s)
        if outside and flag.code in SPOT_FLAGS and not (over and flag.code in PEAK_FLAGS):
            continue
        if outside or (start is not None and start < first_s and (last or start) < first_s + SAID_S):
            start = end = None
        start, end = (None if at is None else max(at, first_s) - cut.zero_s for at in (start, end))
        places = tuple(
            (max(a, first_s) - cut.zero_s, min(b, last_s) - cut.zero_s)
            for a, b in flag.places_s
            if b > first_s and a < last_s
        )
        moved = replace(flag, start_s=start, end_s=end, places_s=places)
        yield _of_level(moved, source, copy, gain_db) if flag.code in LEVEL_FLAGS else moved


def _of_level(flag: Flag, source: Loudness, copy: Loudness, gain_db: float) -> Flag:
    """What it says of a level that the copy no longer has is the source's."""
    levels = ((loudness.integrated_lufs, loudness.true_peak_dbtp) for loudness in (source, copy))
    (level, peak), (copy_level, copy_peak) = levels
    if peak is None or copy_peak is None:
        return flag
    other = max(abs((copy_level or 0.0) - (level or 0.0)), abs(copy_peak - peak))
    if max(other, abs(gain_db)) < SAID_GAIN_DB:
        return flag
    turned = f" turned {'down' if gain_db < 0 else 'up'} by {abs(gain_db):.1f} dB"
    words = f"The copy is{turned if abs(gain_db) >= SAID_GAIN_DB else ' another'}"
    if copy_level is not None:
        words += f": {copy_level:.1f} LUFS, true peak {copy_peak:+.1f} dBTP"
    text = flag.text[:1].lower() + flag.text[1:]
    return replace(flag, text=f"In the producer's file: {text}", advice=f"{words}.")


def _grid(grid: Grid, cut: Placement, line_s: float, end_s: float) -> Grid:
    beats = session_beats(grid, cut, end_s)
    if beats is None:
        return grid
    curve = [(max(at + line_s, 0.0), bpm) for at, bpm in grid.tempo_curve]
    if not grid.constant_tempo and not grid.restarts and len(curve) > FEW_TEMPI:
        curve = list(tempi_of_map(grid, cut))
    curve = [point for point in curve if point[0] < end_s - ON_LINE_S]
    later = [point for point in curve if point[0] > 0.0]
    if len(later) == len(curve):  # it begins after the copy does: its first tempo holds from the start
        started, later = later[:1], later[1:]
    else:
        started = [point for point in curve if point[0] <= 0.0][-1:]
    return replace(
        grid,
        bar_one_s=0.0,
        beats_s=beats.at_s,
        downbeats=beats.lines,
        tempo_curve=tuple([(0.0, bpm) for _, bpm in started] + later),
        restarts=tuple(BeatRestart(r.from_s + line_s, r.at_s + line_s) for r in grid.restarts),
        steady_from_s=_within(grid.steady_from_s, line_s, end_s),
        steady_to_s=_within(grid.steady_to_s, line_s, end_s),
        other_level=_level(grid.other_level, line_s, end_s),
    )


def _level(level: OtherLevel | None, line_s: float, end_s: float) -> OtherLevel | None:
    """In the session's time; None where the copy holds nothing of it, or nothing else."""
    if level is None:
        return None
    from_s, to_s = (_within(at, line_s, end_s) for at in (level.from_s, level.to_s))
    return None if from_s is None and to_s is None else OtherLevel(level.bpm, from_s, to_s)


def _within(at_s: float | None, line_s: float, end_s: float) -> float | None:
    """In the session's time; None outside the copy."""
    moved = None if at_s is None else at_s + line_s
    return moved if moved is not None and 0.0 < moved < end_s else None
