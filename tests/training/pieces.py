"""What a piece of played music is: notes on the beat axis, what plays them, how people count them."""

from __future__ import annotations

from dataclasses import dataclass, field

Note = tuple[float, float, int, int, float]  # beat, length, MIDI note, part, loudness 0..1
KICK, SNARE, RIM, HAT, PEDAL, OPEN, RIDE, CRASH, TOM, LOW, CLAP, SHAKER = (
    36, 38, 37, 42, 44, 46, 51, 49, 47, 43, 39, 70,
)  # fmt: skip
DRUMS = 9


@dataclass(slots=True)
class Piece:
    family: str
    meter: str
    beats: int  # in a bar
    group: int  # beats from one accepted bar line to the next
    count: int  # beats in all
    bpm: float
    levels: tuple[float, ...]  # other accepted beat rates, ratios
    notes: list[Note]
    programs: list[int]  # General MIDI, from 0, of each part
    swing: float = 0.5
    late: dict[int, float] = field(default_factory=dict)  # part -> beats by which it lays back
    key: tuple[int, str] | None = None  # tonic's pitch class, scale
    blues: bool = False
    line: int | None = None  # part of the tune


def levels(bpm: float, compound: bool) -> tuple[float, ...]:
    """Half and double where people count so too."""
    out = []
    if bpm > (110 if compound else 132):
        out.append(0.5)
    if bpm < (62 if compound else 88):
        out.append(2.0)
    return tuple(out)
