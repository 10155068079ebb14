"""Delay and reverb times from the tempo.

Arithmetic of any handbook: a quarter note lasts 60 000 / BPM milliseconds; dotted is one and a
half times, a triplet two thirds of the plain value. Hz is the rate of an effect that repeats
once per note value. The quarter note is the beat that `bpm` counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

NOTES = (("1/1", 4.0), ("1/2", 2.0), ("1/4", 1.0), ("1/8", 0.5), ("1/16", 0.25), ("1/32", 0.125))
FEELS: tuple[tuple[Literal["plain", "dotted", "triplet"], float], ...] = (
    ("plain", 1.0),
    ("dotted", 1.5),
    ("triplet", 2 / 3),
)


@dataclass(frozen=True, slots=True)
class NoteValue:
    note: str  # "1/4"
    feel: Literal["plain", "dotted", "triplet"]
    ms: float
    hz: float


def note_values(bpm: float | None) -> tuple[NoteValue, ...]:
    """Rows from the whole note down, each plain, dotted and triplet; none without a tempo."""
    if bpm is None or not bpm > 0:
        return ()
    return tuple(
        NoteValue(note, feel, quarters * factor * 60_000 / bpm, bpm / (60 * quarters * factor))
        for note, quarters in NOTES
        for feel, factor in FEELS
    )
