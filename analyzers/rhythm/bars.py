"""Counting beats and bars on a grid; bar one may lie before the file or after its last beat."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence

from analyzers.model import Grid

SHORTEST_PICKUP_BEATS = 0.1875  # nearer to a 32nd note than to a 16th (common practice)


def beat_index(grid: Grid, at_s: float) -> int:
    """Index of the beat nearest to `at_s`; 0 is the first in the file, outside it is counted on."""
    beats = grid.beats_s
    first = last = 60.0 / (grid.tempo_bpm or 60.0)
    if len(beats) > 1:
        first, last = beats[1] - beats[0], beats[-1] - beats[-2]
    if at_s < beats[0]:
        return round((at_s - beats[0]) / first)
    if at_s > beats[-1]:
        return len(beats) - 1 + round((at_s - beats[-1]) / last)
    return min(range(len(beats)), key=lambda k: abs(beats[k] - at_s))


def bar_one_index(grid: Grid) -> int | None:
    """Index of bar one's beat; None without a grid."""
    if grid.bar_one_s is None or grid.tempo_bpm is None or not grid.beats_s or not grid.beats_per_bar:
        return None
    return beat_index(grid, grid.bar_one_s)


def beats_after_one(grid: Grid, beats: float) -> float:
    """Seconds of the place so many beats after bar one, before it where negative; needs a grid.

    Along the beats in the file, beyond them by the mean tempo.
    """
    one, whole, period_s = bar_one_index(grid), math.floor(beats), 60 / (grid.tempo_bpm or 60)
    if one is None or not 0 <= one + whole < len(grid.beats_s):
        return (grid.bar_one_s or 0.0) + beats * period_s
    before, *after = grid.beats_s[one + whole : one + whole + 2]
    return before + (beats - whole) * (after[0] - before if after else period_s)


def bar_lines(grid: Grid) -> list[tuple[int, float]]:
    """(bar number, s) of every bar line in the file; bar one is 1, the bar before it 0."""
    one = bar_one_index(grid)
    if one is None or not grid.beats_per_bar:
        return []
    lines = [(k, at) for k, (at, down) in enumerate(zip(grid.beats_s, grid.downbeats, strict=True)) if down]
    if not lines:
        return []
    first = (lines[0][0] - one) // grid.beats_per_bar + 1  # counted on from there: a bar may be shortened
    return [(first + count, at) for count, (_, at) in enumerate(lines)]


def change_s(grid: Grid) -> float | None:
    """Where (s) a tempo that is two constant ones changes, or the beat starts anew; None for any other."""
    once = grid.constant_tempo is False and len(grid.tempo_curve) == 2
    return grid.tempo_curve[1][0] if once else None


def nearest_line(lines: Sequence[tuple[int, float]], at_s: float) -> tuple[int, float]:
    """(bar number, s) of the nearest line; `lines` as from `bar_lines`, one at least."""
    return min(lines, key=lambda line: abs(line[1] - at_s))


def nearest_bar(lines: Sequence[tuple[int, float]], at_s: float) -> int:
    """Number of the bar whose line is nearest; `lines` as from `bar_lines`, one at least."""
    return nearest_line(lines, at_s)[0]


def bar_holding(lines: Sequence[tuple[int, float]], at_s: float) -> int | None:
    """Number of the bar in which an instant lies; None ahead of the first line."""
    k = bisect_right(lines, at_s, key=lambda line: line[1])
    return lines[k - 1][0] if k else None
