"""What begins with a bar, on the lines of a corrected grid: sections, key changes, first chorus of a blues.

They were found, or set by hand, on lines of the grid as it was then. On the grid as it is now each begins on
the nearest line, and has that line's number; of two that meet on one line the later one is left. The section
that the song begins with keeps what it holds before bar one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from analyzers.model import Grid, Key, Section
from analyzers.rhythm.bars import bar_lines, nearest_line

PICKUP_BEATS = 0.1  # less sound than this before bar one is an early attack or codec smear, not a pickup
Line = tuple[int, float]  # (bar number, s)


def sections_on_lines(sections: Sequence[Section], grid: Grid) -> tuple[Section, ...]:
    """Without gaps, as before; without bar lines they stay as they are."""
    lines = bar_lines(grid)
    if not lines or not sections:
        return tuple(sections)
    places = [
        _first_line(lines, sections[0].start_s, grid),
        *(_line(lines, s.start_s, grid) for s in sections[1:]),
    ]
    begun = [replace(s, start_s=at, first_bar=bar) for s, (bar, at) in zip(sections, places, strict=True)]
    joined = [replace(one, end_s=later.start_s) for one, later in pairwise(begun)]
    return tuple(s for s in (*joined, begun[-1]) if s.end_s > s.start_s)


def key_on_lines(key: Key, grid: Grid) -> Key:
    """The key with its changes, and the first chorus of a blues, on lines; without any it stays as it is."""
    lines = bar_lines(grid)
    if not lines:
        return key
    changes = (replace(change, at_s=_line(lines, change.at_s, grid)[1]) for change in key.changes)
    blues = key.blues
    if blues is not None and blues.bars:
        blues = replace(blues, first_chorus_s=_line(lines, blues.first_chorus_s, grid)[1])
    return replace(key, changes=tuple({c.at_s: c for c in changes}.values()), blues=blues)


def _line(lines: Sequence[Line], at_s: float, grid: Grid) -> Line:
    """The nearest; what lies a bar or so ahead of them all stays, its number counted back from the first."""
    ahead = round((lines[0][1] - at_s) / _bar_s(lines, grid))
    return (lines[0][0] - ahead, at_s) if ahead > 0 else nearest_line(lines, at_s)


def _first_line(lines: Sequence[Line], at_s: float, grid: Grid) -> Line:
    """Where music begins before bar one: the line at or before it; ahead of them all it stays."""
    early_s = PICKUP_BEATS * 60 / (grid.tempo_bpm or 60)
    if grid.bar_one_s is None or at_s >= grid.bar_one_s - early_s:
        return _line(lines, at_s, grid)
    held = [line for line in lines if line[1] <= at_s + early_s]
    ahead = max(round((lines[0][1] - at_s) / _bar_s(lines, grid)), 1)
    return held[-1] if held else (lines[0][0] - ahead, at_s)


def _bar_s(lines: Sequence[Line], grid: Grid) -> float:
    """Length of the first bar."""
    if len(lines) > 1:
        return lines[1][1] - lines[0][1]
    return 60 / (grid.tempo_bpm or 60) * (grid.beats_per_bar or 4)
