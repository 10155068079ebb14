"""The guide: a Standard MIDI File with harmony lines to sing or to feed a harmoniser.

Conductor as in the map, with the note set for pitch correction as a text where each section begins
or the key changes. Then the chords set for three and for four parts inside the vocal range
(`analyzers.harmony.partwriting`), one track and channel for each part, highest first. The clock is
that of the map and the copy.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import mido

from analyzers.harmony.note_sets import NoteSet
from analyzers.harmony.partwriting import write_parts
from analyzers.harmony.spelling import parse_chord
from daemon.export.midimap import Event, conductor, notes, write_midi
from daemon.export.score import VOCAL_RANGE, Held, Score

PARTS = {3: ("high", "middle", "low"), 4: ("high", "upper middle", "lower middle", "low")}
NUMBER = {3: "Three", 4: "Four"}
VELOCITY = 80


def write_guide(path: Path, score: Score, title: str, vocal_range: tuple[int, int] = VOCAL_RANGE) -> None:
    """Write the guide of one aligned copy; an existing file is replaced."""
    texts: list[Event] = [
        (tick, mido.MetaMessage("text", text=f"notes: {set_words(held)}")) for tick, held in score.note_sets
    ]
    tracks = [(f"{title} guide", [*conductor(score), *texts])]
    channel = 0
    for parts, names in PARTS.items():
        for name, line in zip(names, part_lines(score, parts, vocal_range), strict=True):
            tracks.append((f"{NUMBER[parts]} parts - {name}", notes(line, channel, VELOCITY)))
            channel += 1
    write_midi(path, tracks, score.end_tick)


def part_lines(score: Score, parts: int, vocal_range: tuple[int, int]) -> list[tuple[Held, ...]]:
    """The lines of so many parts over the score's chords, highest first."""
    settings = write_parts([parse_chord(held.label) for held in score.chords], parts, vocal_range)
    return [
        tuple(
            Held(chord.start, chord.end, (setting[part],), chord.label)
            for chord, setting in zip(score.chords, settings, strict=True)
            if setting
        )
        for part in reversed(range(parts))
    ]


def set_words(held: NoteSet) -> str:
    """'E flat minor: E flat, F, ...; also D' or why it is chromatic."""
    if held.key is None:
        return "chromatic, there is no key"
    if not held.notes:
        return f"chromatic until the key is checked ({held.key}?)"
    also = also_words(held.beside, held.perhaps)
    return f"{held.key}: {', '.join(held.notes)}" + (f"; {also}" if also else "")


def also_words(beside: Sequence[str], perhaps: Sequence[str]) -> str:
    """'the chords also sound D, perhaps A': notes of sure chords, and of others; empty without any."""
    if not beside:
        return f"the chords perhaps also sound {', '.join(perhaps)}" if perhaps else ""
    return f"the chords also sound {', '.join(beside)}" + (
        f", perhaps {', '.join(perhaps)}" if perhaps else ""
    )
