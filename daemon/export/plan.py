"""Where the aligned copy is cut: arithmetic only.

The copy starts exactly on a bar line of the session. That is bar one where no music comes before it,
else whole bars earlier; where the source has no audio that early, digital silence is put in front. Bar one
may begin with a rest, which the copy then begins with. A studio
that wants the copy at the first sound gets a shortened bar 1 instead (`sessionbeats`).
Bar lines before bar one are extrapolated with the tempo of the first bar.

A first hit that is played a hair beside bar one is bar one's own. The session's lines are then moved
there as one (`session_shift_s`): the hit stays whole, no bar of silence is needed for it, and every
later hit keeps its distance to the others. The first stroke of a count-in takes them along, too. The grid
in the analysis stays what was measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analyzers.model import Analysis, Grid, LeadIn
from analyzers.rhythm.note_values import meter_of
from daemon.export.cutwords import LEAST_REST_BEATS, SAID_LATE_S, before_words, rest_words, why

# Air kept ahead of the first sound without a grid (common practice: 1-5 ms), or of a hit that noise surrounds
AIR_S = 0.003
ON_LINE_S = 1e-4  # the copy starts on a whole sample, not on the line itself; no bar is shortened by less
LATE_S = 0.004  # a line no further ahead of the first hit than this stays (a copy has at most 5 ms of air)
MOVED_AIR_S = 0.001  # so far ahead of a later hit it comes to lie
LATEST_SHIFT_S = 0.012  # steady lines move no further back: the song's other attacks would lie far ahead
EARLY_HIT_S = 0.03  # default of output.early_hit_ms
# What comes no earlier is no music of its own whatever the setting: a bar so short has a tempo of 750 BPM
LEAST_EARLY_S = 0.005
NOISE_ALONE_S = 0.01  # no music lies so near the cut, before or after it
SOFT_TIMES = 3  # a first hit that rises gradually may begin so many times as early
THIRTY_SECONDS = 32  # what comes a 32nd note or more before bar one is a pickup

Start = Literal["bar_one", "first_sound"]


@dataclass(frozen=True, slots=True)
class CutPlan:
    """What the aligned copy holds: `pad_samples` of digital silence, then source[source_start:source_end]."""

    source_start: int
    source_end: int
    pad_samples: int
    zero_s: float  # time in the source of the copy's sample 0 (negative when padded)
    bar_one_in_copy_s: float | None
    bars_before_bar_one: int
    why: str
    session_shift_s: float = 0.0  # the session's lines lie so much after the measured ones (negative: before)
    hits_after_lines_s: float | None = None  # median of the song's hits against the session's lines
    through_noise: bool = False  # what lies ahead of the copy is the noise under the music
    before_bar_one: str = ""  # what lies there, and the rest it begins with, in words; empty: nothing
    first_hit_late_s: float = 0.0  # so much after bar one's line it is left for certain: a gap that is heard
    soft_start: bool = False  # the lines moved to where a first hit that rises gradually begins
    noise_alone: bool = False  # noise lies on either side of the cut, and the first sound well after it

    def in_copy_s(self, source_s: float) -> float:
        """Seconds in the copy of a sound of the source."""
        return source_s - self.zero_s

    def line_in_copy_s(self, grid_s: float) -> float:
        """Seconds in the copy of a line of the grid: a beat, or what begins on one (section, chord)."""
        return grid_s + self.session_shift_s - self.zero_s


def first_bar_seconds(grid: Grid) -> float | None:
    """Length of the first full bar in seconds; None without a grid."""
    if grid.tempo_bpm is None or grid.bar_one_s is None or not grid.beats_per_bar:
        return None
    lines = [
        t for t, down in zip(grid.beats_s, grid.downbeats, strict=True) if down and t >= grid.bar_one_s - 1e-3
    ]
    if grid.constant_tempo or len(lines) < 2:
        return 60.0 / grid.tempo_bpm * grid.beats_per_bar
    return lines[1] - lines[0]


def plan_cut(
    analysis: Analysis,
    *,
    frames: int,
    rate: int,
    first_hit_s: float | None = None,
    lead_in_bars: int = 0,
    early_hit_s: float = EARLY_HIT_S,
    soft_rise_s: float = 0.0,
    begins_faintly: bool = False,
    fades_in: bool = False,
    clear_of_noise: bool = False,
    exact_lines: bool = False,
    start: Start = "bar_one",
    trim_tail_to: int | None = None,
) -> CutPlan:
    """Decide the cut.

    Parameters
    ----------
    analysis : what was found
    frames, rate : length (samples) and rate (Hz) of the source
    first_hit_s : where the first hit starts (`firsthit`); by default where the first sound is
    lead_in_bars : bars of silence wanted before the music, 0..4
    early_hit_s : what comes less than this, and less than a 32nd note, before bar one is no pickup
    soft_rise_s : how long the first hit rises gradually (`firsthit`); where it rises up to bar one, it is bar
        one's own also where it begins `SOFT_TIMES` as early
    begins_faintly : it is hardly over the threshold of silence at first (`firsthit`): where it also rises
        gradually, it may have begun below it, and is not said to be late
    fades_in : the first sound is no hit, but where the music passes the threshold (`firsthit`): it is
        neither late nor a pickup
    clear_of_noise : noise before the first hit hides nothing of it (`firsthit`)
    exact_lines : the engineer said where the lines lie: no hit moves them
    start : "first_sound" starts the copy there; inside a bar, that is the session's bar 1, shortened
    trim_tail_to : last musical frame; the copy then ends on the next bar line after it
    """
    grid, hit = analysis.grid, first_hit_s if first_hit_s is not None else analysis.lead_in.first_sound_s
    bar_s = first_bar_seconds(grid)
    if bar_s is None or grid.bar_one_s is None:
        return _plan_without_grid(hit, frames, rate)
    early = 0.0 if hit is None else grid.bar_one_s - hit
    early_hit_s = MOVED_AIR_S if exact_lines else max(early_hit_s, LEAST_EARLY_S)
    soft = early_hit_s < early <= soft_rise_s and not exact_lines
    limit_s = min(early_hit_s * (SOFT_TIMES if soft else 1), bar_s * _bar_shares(grid))
    beside = early - round(early / bar_s) * bar_s if grid.count_in_before else early
    grows, noisy = begins_faintly and soft_rise_s > limit_s, analysis.lead_in.noisy
    known = clear_of_noise or not noisy  # else what is late may only be hidden
    air_s = AIR_S if noisy else MOVED_AIR_S
    steady = grid.constant_tempo is not False
    follows = known and not fades_in
    shift = _shift(beside, limit_s, rate, steady=steady, air_s=air_s if follows else None)
    one = grid.bar_one_s + shift
    sound_s = max(early + shift, 0.0)  # music before bar one
    before_bars = math.ceil(sound_s / bar_s - 0.5 / rate / bar_s)
    before_s = sound_s if start == "first_sound" else before_bars * bar_s
    music_start, first = (round((one - before_s - lead * bar_s) * rate) for lead in (0, lead_in_bars))
    source_start = min(max(music_start, 0), frames)
    end = frames if trim_tail_to is None else _next_line(grid, bar_s, shift, trim_tail_to, frames, rate)
    hits_s = _hits_after_lines(grid, shift)
    bars = before_bars + lead_in_bars
    beat_s = bar_s / grid.beats_per_bar if grid.beats_per_bar else bar_s
    rest_s = -early if -early >= limit_s else 0.0
    unrested_s = limit_s if grows else max(limit_s, LEAST_REST_BEATS * beat_s)
    late_s = max(-early - shift, 0.0) if -early < unrested_s and follows and not grows else 0.0
    noise_alone = _noise_alone(analysis.lead_in, source_start / rate)
    whole = before_bars * bar_s - before_s < ON_LINE_S
    filled = -music_start / rate > SAID_LATE_S
    before = before_words(
        sound_s,
        beat_s,
        before_bars,
        lead_in_bars,
        whole_bars=whole,
        swell=grid.swell_before,
        fades_in=fades_in,
        voice=grid.voice_before,
        other_start=grid.other_start_before,
        count_in=grid.count_in_before,
    )
    rest = rest_words(rest_s, beat_s, bars + 1, fades_in=fades_in and not before_bars)
    text = why(
        before,
        bars,
        rest=rest,
        filled=filled,
        shift_s=shift,
        hits_after_lines_s=hits_s,
        late_s=late_s,
        soft=soft,
    )
    return CutPlan(
        source_start=source_start,
        source_end=max(end, source_start),
        pad_samples=source_start - first,
        zero_s=first / rate,
        bar_one_in_copy_s=one - first / rate,
        bars_before_bar_one=bars,
        why=text,
        session_shift_s=shift,
        hits_after_lines_s=hits_s,
        through_noise=noisy and not noise_alone,
        before_bar_one="; ".join(filter(None, (before, rest))),
        first_hit_late_s=late_s,
        soft_start=soft and shift < 0.0,
        noise_alone=noise_alone,
    )


def _shift(early_s: float, limit_s: float, rate: int, *, steady: bool, air_s: float | None) -> float:
    """How far the lines move (s) for a first hit `early_s` before bar one; a late one keeps `air_s` (None: it
    moves no line).

    A hit too late for the lines to follow leaves them where the song's others lie: moved half-way they would
    serve neither. Where the tempo moves, the line is known no better than that, and follows.
    """
    if 0.5 / rate < early_s < limit_s:
        return -early_s
    late_s = -early_s
    if air_s is None or not LATE_S < late_s < limit_s:
        return 0.0
    if not steady:
        return late_s - air_s
    return min(late_s - air_s, LATEST_SHIFT_S) if late_s <= LATEST_SHIFT_S + LATE_S else 0.0


def _noise_alone(lead_in: LeadIn, cut_s: float) -> bool:
    """Whether a cut lies in the noise ahead of the first sound, and well before that."""
    first_s = lead_in.first_sound_s
    return lead_in.noisy and first_s is not None and first_s - cut_s > NOISE_ALONE_S


def _bar_shares(grid: Grid) -> float:
    """A 32nd note as a share of the bar."""
    upper, lower = meter_of(grid)
    return lower / (upper * THIRTY_SECONDS)


def _hits_after_lines(grid: Grid, shift_s: float) -> float | None:
    """Median of the clear attacks against the session's lines (s), from the proof's first and last thirds."""
    if grid.proof is None:
        return None
    return (grid.proof.first_third_ms + grid.proof.last_third_ms) / 2000 - shift_s


def _plan_without_grid(first: float | None, frames: int, rate: int) -> CutPlan:
    start = 0 if first is None else max(0, math.floor((first - AIR_S) * rate))
    text = "no grid was found: the copy starts just before the first sound, not on a bar line"
    return CutPlan(start, frames, 0, start / rate, None, 0, text)


def _next_line(grid: Grid, bar_s: float, shift_s: float, last_frame: int, frames: int, rate: int) -> int:
    lines = [t + shift_s for t, down in zip(grid.beats_s, grid.downbeats, strict=True) if down]
    last_s = last_frame / rate
    later = [t for t in lines if t >= last_s]
    if not later and lines:
        later = [lines[-1] + math.ceil((last_s - lines[-1]) / bar_s) * bar_s]
    return min(frames, round(later[0] * rate)) if later else frames
