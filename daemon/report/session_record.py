"""What lies where in the session, for machines: the same bars and seconds as copy, map, cues and page."""

from __future__ import annotations

from pydantic import Field

from analyzers.model import Analysis
from analyzers.rhythm.bars import bar_holding, bar_lines, nearest_bar
from analyzers.rhythm.note_values import quarters_in_beat
from daemon.report.parts import Cut, Part

HAIR_S = 0.02  # a chord that begins so little before a line counts to the bar that the line begins


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
    quarters_in_beat: float = Field(
        1.0, description="length of the beat that every BPM here counts, in quarter notes: 1.5 in 6/8"
    )


def session_record(view: Analysis, cut: Cut) -> SessionRecord:
    """From the session's view of an analysis (`daemon.export.sessionview`)."""
    grid, lines, one = view.grid, bar_lines(view.grid), cut.bar_one_in_copy_s
    return SessionRecord(
        bar_one=None if one is None else Place(bar=cut.bars_before_bar_one + 1, at_s=one),
        key_changes=tuple(
            KeyPlace(
                bar=nearest_bar(lines, c.at_s) if lines else None, at_s=c.at_s, tonic=c.tonic, mode=c.mode
            )
            for c in view.key.changes
        ),
        sections=tuple(
            SectionPlace(
                bar=s.first_bar if one is not None else None, at_s=s.start_s, letter=s.letter, end_s=s.end_s
            )
            for s in view.sections
        ),
        chords=tuple(
            ChordPlace(
                bar=bar_holding(lines, c.start_s + HAIR_S), at_s=c.start_s, label=c.label, end_s=c.end_s
            )
            for c in view.chords
        ),
        tempo_curve=grid.tempo_curve if grid.tempo_bpm is not None else (),
        quarters_in_beat=quarters_in_beat(grid),
    )
