"""The chord line bar by bar, as a musician reads it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import groupby

from analyzers.model import Analysis
from analyzers.rhythm.bars import bar_lines

BEAT_SHARE = 0.45  # a chord that fills less of a bar than about half a beat is not written


@dataclass(frozen=True, slots=True)
class ChordBar:
    number: int
    labels: tuple[str, ...]
    repeated: bool  # the same as the bar before
    section: str | None  # letter, on the bar where a section begins
    doubted: tuple[bool, ...] = ()  # of the labels: is it less sure than what is taken at its word?

    @property
    def written(self) -> tuple[str, ...]:
        """The labels as a chart has them: "Am?" is to be checked by ear."""
        doubted = self.doubted or (False,) * len(self.labels)
        return tuple(
            f"{label}?" if doubt else label for label, doubt in zip(self.labels, doubted, strict=True)
        )


def chord_bars(analysis: Analysis, sure: float = 0.0) -> list[ChordBar]:
    """One entry for each bar; empty without a grid or where no chord is heard at all.

    `sure`: least confidence of a chord that is taken at its word.
    """
    lines, bars = bar_lines(analysis.grid), []
    silent = all(chord.label == "N" for chord in analysis.chords)
    if not lines or silent or analysis.grid.tempo_bpm is None:
        return []
    ends = [t for _, t in lines[1:]] + [analysis.duration_s]
    least = BEAT_SHARE * 60 / analysis.grid.tempo_bpm
    begins = {section.first_bar: section.letter for section in analysis.sections}
    from_s, to_s = ([getattr(c, at) for c in analysis.chords] for at in ("start_s", "end_s"))
    before: tuple[str, ...] = ()
    for (number, start), end in zip(lines, ends, strict=True):
        inside = [
            c
            for c in analysis.chords[bisect_right(to_s, start) : bisect_left(from_s, end)]
            if min(c.end_s, end) - max(c.start_s, start) >= min(least, (end - start) / 2)
        ]
        same = [list(run) for _, run in groupby(inside, key=lambda c: c.label)]
        labels = tuple("–" if run[0].label == "N" else run[0].label for run in same)
        doubted = tuple(run[0].label != "N" and all(c.confidence < sure for c in run) for run in same)
        repeated = labels == before and number not in begins
        bars.append(ChordBar(number, labels, repeated, begins.get(number), doubted))
        before = labels
    return bars


@dataclass(frozen=True, slots=True)
class ChordSection:
    """The bars of one section. `same_as`: where the same chords stand already, in words."""

    letter: str | None
    bars: tuple[ChordBar, ...]
    same_as: str | None = None

    @property
    def span(self) -> str:
        """'bars 9 to 16'."""
        first, last = self.bars[0].number, self.bars[-1].number
        return f"bars {first} to {last}" if last > first else f"bar {first}"


def chord_sections(bars: list[ChordBar]) -> list[ChordSection]:
    """The bars by section; a section with the chords of an earlier one names that one instead."""
    groups: list[list[ChordBar]] = []
    for bar in bars:
        if bar.section or not groups:
            groups.append([])
        groups[-1].append(bar)
    found: list[ChordSection] = []
    for group in groups:
        labels = [bar.labels for bar in group]
        before = next((s for s in found if not s.same_as and [b.labels for b in s.bars] == labels), None)
        same = f"{before.letter} in {before.span}" if before and before.letter else None
        found.append(ChordSection(group[0].section, tuple(group), same))
    return found
