"""What begins with a bar, on the lines of a corrected grid: sections, key changes, first chorus of a blues.

They were found, or set by hand, on lines of the grid as it was then. On the grid as it is now each begins on
the nearest line, and has that line's number; of two that meet on one line the later one is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from analyzers.model import Grid, Key, Section
from analyzers.rhythm.bars import bar_lines

Line = tuple[int, float]  # (bar number, s)


def sections_on_lines(sections: Sequence[Section], grid: Grid) -> tuple[Section, ...]:
    """Without gaps, as before; without bar lines they stay as they are."""
    lines = bar_lines(grid)
    if not lines or not sections:
        return tuple(sections)
    begun = []
    for section in sections:
        number, start_s = _line(lines, section.start_s, grid)
        begun.append(replace(section, start_s=start_s, first_bar=number))
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
    (number, first_s), *_ = lines
    bar_s = (
        lines[1][1] - first_s if len(lines) > 1 else 60 / (grid.tempo_bpm or 60) * (grid.beats_per_bar or 4)
    )
    ahead = round((first_s - at_s) / bar_s)
    return (number - ahead, at_s) if ahead > 0 else min(lines, key=lambda line: abs(line[1] - at_s))
