"""The note that a tempo counts, and delay and reverb times from the tempo.

Arithmetic of any handbook: a quarter note lasts 60 000 / BPM milliseconds; dotted is one and a
half times, a triplet two thirds of the plain value. Hz is the rate of an effect that repeats
once per note value. Sessions and effects count quarter notes in every meter; in 6/8 the beat that a tempo
counts is the dotted quarter, so that 75 BPM are 112.5 quarters a minute (any handbook of notation).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from analyzers.model import Grid

NOTES = (("1/1", 4.0), ("1/2", 2.0), ("1/4", 1.0), ("1/8", 0.5), ("1/16", 0.25), ("1/32", 0.125))
FEELS: tuple[tuple[Literal["plain", "dotted", "triplet"], float], ...] = (
    ("plain", 1.0),
    ("dotted", 1.5),
    ("triplet", 2 / 3),
)
BEATS = {  # by length in quarter notes
    0.25: "sixteenth",
    0.5: "eighth",
    0.75: "dotted eighth",
    1.0: "quarter",
    1.5: "dotted quarter",
    2.0: "half note",
}


@dataclass(frozen=True, slots=True)
class NoteValue:
    note: str  # "1/4"
    feel: Literal["plain", "dotted", "triplet"]
    ms: float
    hz: float


def meter_of(grid: Grid) -> tuple[int, int]:
    """(6, 8) for "6/8"; where no meter is known so many quarters as a bar has beats."""
    upper, lower = (grid.meter or f"{grid.beats_per_bar}/4").split("/")
    return int(upper), int(lower)


def quarters_in_beat(grid: Grid) -> float:
    """Length of the beat that the tempo counts, in quarter notes: 1.5 in 6/8; 1 where no meter is known."""
    if not grid.beats_per_bar:
        return 1.0
    upper, lower = meter_of(grid)
    return 4 * upper / lower / grid.beats_per_bar


def beat_note(grid: Grid) -> str | None:
    """'dotted quarter'; None where the tempo counts quarters, as everybody takes for granted."""
    quarters = quarters_in_beat(grid)
    return None if quarters == 1.0 else BEATS.get(quarters, f"{quarters:g} quarters")


def in_quarters(grid: Grid) -> Grid:
    """The grid with its tempi in quarter notes a minute, as the session has them."""
    if grid.tempo_bpm is None or (quarters := quarters_in_beat(grid)) == 1.0:
        return grid
    curve = tuple((at, bpm * quarters) for at, bpm in grid.tempo_curve)
    return replace(grid, tempo_bpm=grid.tempo_bpm * quarters, tempo_curve=curve)


def note_values(bpm: float | None) -> tuple[NoteValue, ...]:
    """Rows from the whole note down, each plain, dotted and triplet; none without a tempo.

    bpm : quarter notes a minute
    """
    if bpm is None or not bpm > 0:
        return ()
    return tuple(
        NoteValue(note, feel, quarters * factor * 60_000 / bpm, bpm / (60 * quarters * factor))
        for note, quarters in NOTES
        for feel, factor in FEELS
    )
