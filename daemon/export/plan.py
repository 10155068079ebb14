"""Where the aligned copy is cut: arithmetic only.

The copy starts exactly on a bar line of the grid, early enough that nothing musical is
lost: bar one when no sound comes before it, else whole bars earlier. Where the source has
no audio that early, digital silence is put in front. Bar lines before bar one are
extrapolated with the tempo of the first bar.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analyzers.model import Analysis, Grid

AIR_S = 0.005  # without a grid: air kept ahead of the first sound (common practice: 1-5 ms)
EARLY_HIT_S = 0.03  # closer to bar one it is no pickup but bar one's own hit, played early


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

    def in_copy_s(self, source_s: float) -> float:
        """Seconds in the copy of an instant of the source: the one clock of all that lies beside the copy."""
        return source_s - self.zero_s


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
    lead_in_bars: int = 0,
    smear_s: float = 0.0,
    trim_tail_to: int | None = None,
) -> CutPlan:
    """Decide the cut.

    Parameters
    ----------
    analysis : what was found
    frames, rate : length (samples) and rate (Hz) of the source
    lead_in_bars : bars of silence wanted before the music, 0..4
    smear_s : codec smear that may be cut off ahead of bar one without losing music (see `render.smear`)
    trim_tail_to : last musical frame; the copy then ends on the next bar line after it
    """
    grid, first = analysis.grid, analysis.lead_in.first_sound_s
    bar_s = first_bar_seconds(grid)
    if bar_s is None or grid.bar_one_s is None:
        return _plan_without_grid(first, frames, rate)
    tolerance = max(smear_s, 0.5 / rate)
    early = 0.0 if first is None else grid.bar_one_s - first
    pickup_bars = max(0, math.ceil((early - tolerance) / bar_s)) if early > tolerance else 0
    bars = pickup_bars + lead_in_bars
    first_line = round((grid.bar_one_s - pickup_bars * bar_s) * rate)
    start = round((grid.bar_one_s - bars * bar_s) * rate)
    source_start = max(first_line, 0)
    pad = source_start - start
    end = frames if trim_tail_to is None else _next_line(grid, bar_s, trim_tail_to, frames, rate)
    return CutPlan(
        source_start=source_start,
        source_end=max(end, source_start),
        pad_samples=pad,
        zero_s=start / rate,
        bar_one_in_copy_s=grid.bar_one_s - start / rate,
        bars_before_bar_one=bars,
        why=_why(early, pickup_bars, lead_in_bars, pad),
    )


def _plan_without_grid(first: float | None, frames: int, rate: int) -> CutPlan:
    start = 0 if first is None else max(0, math.floor((first - AIR_S) * rate))
    why = "no grid was found: the copy starts just before the first sound, not on a bar line"
    return CutPlan(start, frames, 0, start / rate, None, 0, why)


def _next_line(grid: Grid, bar_s: float, last_frame: int, frames: int, rate: int) -> int:
    lines = [t for t, down in zip(grid.beats_s, grid.downbeats, strict=True) if down]
    last_s = last_frame / rate
    later = [t for t in lines if t >= last_s]
    if not later and lines:
        later = [lines[-1] + math.ceil((last_s - lines[-1]) / bar_s) * bar_s]
    return min(frames, round(later[0] * rate)) if later else frames


def _why(early_s: float, pickup_bars: int, lead_in_bars: int, pad: int) -> str:
    text = "the copy starts on bar one"
    if pickup_bars:
        pickup = f"sound comes {early_s:.2f} s before bar one"
        early_hit = f"the first hit comes {1000 * early_s:.1f} ms before bar one"
        text = (
            f"{pickup if early_s >= EARLY_HIT_S else early_hit}: so that nothing is cut, "
            f"the copy starts {pickup_bars} bar{'s' if pickup_bars > 1 else ''} earlier"
        )
    if lead_in_bars:
        text += f", after {lead_in_bars} bar{'s' if lead_in_bars > 1 else ''} of silence as configured"
    elif pad:
        text += "; silence fills the part of that bar that the source does not have"
    return text
