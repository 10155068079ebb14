"""An analysis on the session's clock: second zero and bar 1 are where the copy starts.

The analysis itself is in the time of the producer's file. What is shown or written beside the copy is
taken from this view of it, so that page, card, cues, map and report name one bar and one second for one
event. Lines of the grid, and what begins on one (chords, sections, key changes), move with the session's
lines; sounds keep their place in the audio.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from analyzers.level.working_level import after_gain
from analyzers.model import Analysis, BeatRestart, Flag, Grid, Key, Loudness, Section
from daemon.export.copylevel import with_peaks
from daemon.export.sessionbeats import Placement, session_beats

SAID_GAIN_DB = 0.05
BESIDE_BEAT_S = 0.03  # a sound so little ahead of a beat is that beat's
LEVEL_FLAGS = ("over-full-scale", "inter-sample-over", "very-loud", "very-quiet")


class CopyLevel(Protocol):
    """What is needed of the copy's level; what was not measured is the source's plus the gain."""

    @property
    def gain_db(self) -> float: ...
    @property
    def integrated_lufs(self) -> float | None: ...
    @property
    def sample_peak_dbfs(self) -> float | None: ...
    @property
    def true_peak_dbtp(self) -> float | None: ...


def in_session(analysis: Analysis, cut: Placement, level: CopyLevel | None = None) -> Analysis:
    """The analysis as the session has it.

    Parameters
    ----------
    analysis : in the time of the source, corrections applied
    cut : where the copy was cut
    level : of the copy; by default that of the source

    The grid's bar one is the session's: it begins with the copy (`sessionbeats`). Without a grid only the
    seconds move. `Section.first_bar` is a bar of the session, 1 at least. The first chord begins with
    the beat of the first sound, not with the silence before it.
    """
    loudness = _loudness(analysis.loudness, cut, level)
    line_s = cut.session_shift_s - cut.zero_s
    grid, before = analysis.grid, cut.bars_before_bar_one
    end_s = cut.source_end / analysis.rate - cut.zero_s
    first = analysis.lead_in.first_sound_s
    session_grid = _grid(grid, cut, line_s, end_s)
    sound_s = 0.0 if first is None else first - cut.zero_s
    chords_s = max((at for at in session_grid.beats_s if at <= sound_s + BESIDE_BEAT_S), default=0.0)
    return replace(
        analysis,
        duration_s=end_s,
        lead_in=replace(analysis.lead_in, first_sound_s=None if first is None else first - cut.zero_s),
        grid=session_grid,
        key=_key(analysis.key, line_s),
        chords=tuple(
            replace(c, start_s=max(c.start_s + line_s, chords_s), end_s=c.end_s + line_s)
            for c in analysis.chords
            if c.end_s + line_s > chords_s
        ),
        sections=tuple(_section(s, cut, line_s, before) for s in analysis.sections if s.end_s + line_s > 0),
        loudness=loudness,
        flags=tuple(_flag(flag, cut, analysis.loudness, loudness) for flag in analysis.flags),
    )


def _key(key: Key, line_s: float) -> Key:
    blues = key.blues and replace(key.blues, first_chorus_s=key.blues.first_chorus_s + line_s)
    return replace(key, changes=tuple(replace(c, at_s=c.at_s + line_s) for c in key.changes), blues=blues)


def _loudness(loudness: Loudness, cut: Placement, level: CopyLevel | None) -> Loudness:
    curve = tuple((at - cut.zero_s, lufs) for at, lufs in loudness.short_term_curve if at >= cut.zero_s)
    loudness = replace(loudness, short_term_curve=curve)
    if level is None:
        return loudness
    loudness = after_gain(loudness, level.gain_db)
    if level.integrated_lufs is not None:
        loudness = replace(loudness, integrated_lufs=level.integrated_lufs)
    if level.true_peak_dbtp is None:
        return loudness
    return with_peaks(loudness, level.sample_peak_dbfs, level.true_peak_dbtp)


def _flag(flag: Flag, cut: Placement, source: Loudness, copy: Loudness) -> Flag:
    """Its place in the copy; what it says of a level that the copy no longer has is the source's."""
    flag = replace(
        flag,
        start_s=_moved(flag.start_s, cut),
        end_s=_moved(flag.end_s, cut),
        places_s=tuple(
            (max(a - cut.zero_s, 0.0), b - cut.zero_s) for a, b in flag.places_s if b > cut.zero_s
        ),
    )
    if flag.code not in LEVEL_FLAGS or source.true_peak_dbtp is None or copy.true_peak_dbtp is None:
        return flag
    gain_db = (copy.integrated_lufs or 0.0) - (source.integrated_lufs or 0.0)
    if max(abs(gain_db), abs(copy.true_peak_dbtp - source.true_peak_dbtp)) < SAID_GAIN_DB:
        return flag
    turned = f" turned {'down' if gain_db < 0 else 'up'} by {abs(gain_db):.1f} dB"
    words = f"The copy is{turned if abs(gain_db) >= SAID_GAIN_DB else ' another'}"
    if copy.integrated_lufs is not None:
        words += f": {copy.integrated_lufs:.1f} LUFS, true peak {copy.true_peak_dbtp:+.1f} dBTP"
    text = flag.text[:1].lower() + flag.text[1:]
    return replace(flag, text=f"In the producer's file: {text}", advice=f"{words}.")


def _moved(at_s: float | None, cut: Placement) -> float | None:
    return None if at_s is None else max(at_s - cut.zero_s, 0.0)


def _section(section: Section, cut: Placement, line_s: float, before: int) -> Section:
    """The one that holds what comes before bar one begins with the copy."""
    at, one = section.start_s + line_s, cut.bar_one_in_copy_s
    early = at < (0.0 if one is None else one - 1e-3)
    return replace(
        section,
        start_s=0.0 if early else at,
        end_s=section.end_s + line_s,
        first_bar=max(1 if early else section.first_bar + before, 1),
    )


def _grid(grid: Grid, cut: Placement, line_s: float, end_s: float) -> Grid:
    beats = session_beats(grid, cut, end_s)
    if beats is None:
        return grid
    curve = [(max(at + line_s, 0.0), bpm) for at, bpm in grid.tempo_curve]
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
    )
