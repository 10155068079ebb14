"""The outline of the audio for the page: lowest and highest sample of each column.

Two views: the whole copy, and a close look at the cut. Amplitudes are full scale = 1,
over all channels; times are seconds in the source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analyzers.model import Grid
from analyzers.signal.samples import Signal
from daemon.export.plan import CutPlan, first_bar_seconds

COLUMNS = 900
ZOOM_BARS = 2.0  # music shown after bar one in the close look
ZOOM_SECONDS = 3.0  # the same, without a grid
ZOOM_BEFORE = 0.12  # share of the view kept free before the earliest mark


@dataclass(frozen=True, slots=True)
class Outline:
    """`low` and `high` [COLUMNS values, -1..1] between `start_s` and `end_s`."""

    start_s: float
    end_s: float
    low: tuple[float, ...]
    high: tuple[float, ...]

    def place(self, at_s: float) -> float:
        """Where an instant lies in the view: 0 left edge, 1 right edge (outside: beyond)."""
        return (at_s - self.start_s) / (self.end_s - self.start_s)

    def moved(self, by_s: float) -> Outline:
        """The same picture on another clock."""
        return replace(self, start_s=self.start_s + by_s, end_s=self.end_s + by_s)


@dataclass(frozen=True, slots=True)
class Waveform:
    whole: Outline
    cut: Outline

    def moved(self, by_s: float) -> Waveform:
        return Waveform(self.whole.moved(by_s), self.cut.moved(by_s))


def waveform_of(signal: Signal, plan: CutPlan, grid: Grid, first_sound_s: float | None) -> Waveform:
    """The copy as a whole, and its beginning close up with what is cut off."""
    start_s, end_s = zoom_span(plan, grid, first_sound_s)
    copy_end_s = plan.source_end / signal.rate
    return Waveform(outline(signal, plan.zero_s, copy_end_s), outline(signal, start_s, end_s))


def zoom_span(plan: CutPlan, grid: Grid, first_sound_s: float | None) -> tuple[float, float]:
    """Seconds shown in the close look: a little before the earliest mark to two bars into the music."""
    marks = [plan.zero_s, *(t for t in (grid.bar_one_s, first_sound_s) if t is not None)]
    bar_s = first_bar_seconds(grid)
    end = max(marks) + (ZOOM_SECONDS if bar_s is None else ZOOM_BARS * bar_s)
    first = min(marks)
    return first - ZOOM_BEFORE * (end - first), end


def outline(signal: Signal, start_s: float, end_s: float, columns: int = COLUMNS) -> Outline:
    """Extremes of each of `columns` equal spans; silence outside the signal."""
    edges = np.round(np.linspace(start_s * signal.rate, end_s * signal.rate, columns + 1)).astype(np.int64)
    inside = np.clip(edges, 0, signal.frames)
    low, high = np.zeros(columns), np.zeros(columns)
    for k, (a, b) in enumerate(pairwise(inside)):
        if b > a:
            part = signal.samples[a:b]
            low[k], high[k] = float(part.min()), float(part.max())
    return Outline(start_s, end_s, tuple(_clean(low)), tuple(_clean(high)))


def _clean(values: np.ndarray) -> list[float]:
    return [round(float(v), 4) if math.isfinite(v) else 0.0 for v in np.clip(values, -1.0, 1.0)]
