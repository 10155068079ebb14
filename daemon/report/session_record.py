"""What lies where in the session, for machines: the same bars and seconds as copy, map, cues and page."""

from __future__ import annotations

from analyzers.model import Analysis, Grid
from analyzers.rhythm.bars import bar_lines
from daemon.report.parts import Cut, Part


class Place(Part):
    """An instant of the copy. `bar`: bar of the session, counted from 1; None without a grid."""

    bar: int | None
    at_s: float


class KeyPlace(Place):
    tonic: str
    mode: str


class SectionPlace(Place):
    letter: str
    end_s: float


class ChordPlace(Place):
    label: str
    end_s: float


class SessionRecord(Part):
    """Zero is the copy's first sample, bar 1 its first bar."""

    bar_one: Place | None  # where the song's own bar one lies
    key_changes: tuple[KeyPlace, ...]
    sections: tuple[SectionPlace, ...]
    chords: tuple[ChordPlace, ...]
    tempo_curve: tuple[tuple[float, float], ...]  # (s, BPM)


def session_record(view: Analysis, cut: Cut) -> SessionRecord:
    """From the session's view of an analysis (`daemon.export.sessionview`)."""
    grid, one = view.grid, cut.bar_one_in_copy_s
    return SessionRecord(
        bar_one=None if one is None else Place(bar=cut.bars_before_bar_one + 1, at_s=one),
        key_changes=tuple(
            KeyPlace(bar=nearest_bar(grid, c.at_s), at_s=c.at_s, tonic=c.tonic, mode=c.mode)
            for c in view.key.changes
        ),
        sections=tuple(
            SectionPlace(
                bar=s.first_bar if one is not None else None, at_s=s.start_s, letter=s.letter, end_s=s.end_s
            )
            for s in view.sections
        ),
        chords=tuple(
            ChordPlace(bar=bar_at(grid, c.start_s), at_s=c.start_s, label=c.label, end_s=c.end_s)
            for c in view.chords
        ),
        tempo_curve=grid.tempo_curve if grid.tempo_bpm is not None else (),
    )


def nearest_bar(grid: Grid, at_s: float) -> int | None:
    """The bar whose line is nearest."""
    lines = bar_lines(grid)
    return min(lines, key=lambda line: abs(line[1] - at_s))[0] if lines else None


def bar_at(grid: Grid, at_s: float) -> int | None:
    """The bar in which an instant lies; one that is a hair before a line counts to the bar it begins."""
    inside = [number for number, line_s in bar_lines(grid) if line_s <= at_s + 0.02]
    return inside[-1] if inside else None
