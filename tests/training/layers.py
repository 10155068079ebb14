"""What else sounds on a record beside chords, bass, tune and drums: held strings, brass, a second guitar.

Common practice of arranging. A layer keeps to the harmony, repeats itself and enters with a phrase.
"""

from __future__ import annotations

import numpy as np

from tests.training.lines import add_line
from tests.training.pieces import Piece
from tests.training.progressions import Harmony

Rng = np.random.Generator

# kind: General MIDI programs, from 0
SOUNDS = {
    "held": (48, 49, 50, 52, 53, 16, 18, 19, 88, 89, 91, 61),
    "stabs": (61, 62, 56, 57, 63, 18, 7, 4),
    "second": (25, 24, 27, 0, 7, 4, 11, 105, 21),
    "broken": (0, 4, 46, 11, 27, 26, 80, 81, 24),
    "counter": (48, 49, 61, 60, 40, 42, 66, 57, 81, 68, 22),
}
LAYERS: dict[str, tuple[float, tuple[str, ...]]] = {  # mean number, kinds
    "rock": (0.7, ("second", "held", "counter")), "metal": (0.5, ("held", "counter", "broken")),
    "blues": (0.7, ("second", "held", "stabs", "counter")), "country": (0.9, ("second", "counter", "held")),
    "jazz": (0.8, ("stabs", "counter", "held", "second")), "reggae": (0.9, ("second", "stabs", "held")),
    "disco": (1.5, ("held", "stabs", "counter", "second", "broken")),
    "funk": (0.9, ("stabs", "second", "held")), "pop": (1.1, ("held", "broken", "second", "counter")),
    "hiphop": (0.8, ("held", "broken", "stabs", "counter")), "ballad": (0.9, ("held", "counter", "broken")),
    "soul": (1.1, ("stabs", "held", "counter")), "bossa": (0.5, ("held", "counter")),
    "waltz": (0.5, ("held", "second")), "strum": (0.2, ("held", "second")), "keys": (0.15, ("held",)),
}  # fmt: skip
MOST = 3


def add_layers(rng: Rng, piece: Piece, genre: str, steps: int, harmony: Harmony) -> None:
    """None to three of them, each a part of its own."""
    mean, kinds = LAYERS[genre]
    for kind in rng.choice(kinds, min(int(rng.poisson(mean)), MOST, len(kinds)), replace=False):
        program = int(rng.choice(SOUNDS[str(kind)]))
        if kind == "counter":
            _counter(rng, piece, steps, harmony, program)
            continue
        part = len(piece.programs)
        piece.programs.append(program)
        {"held": _held, "stabs": _stabs, "second": _second, "broken": _broken}[str(kind)](
            rng, piece, part, harmony
        )


def _bars(rng: Rng, piece: Piece, harmony: Harmony) -> list[tuple[int, int, list[int]]]:
    """(beat, root, notes) of each bar in which a layer plays: all, or phrases of four bars in turn."""
    base, turns = int(rng.choice([48, 55, 60, 67])), rng.random() < 0.3
    first = int(rng.integers(2))
    out = []
    for bar, (root, shape) in enumerate(harmony.chords[: piece.count // piece.beats]):
        if not turns or bar // 4 % 2 == first:
            notes = sorted({base + (root + t - base) % 12 for t in shape})
            out.append((bar * piece.beats, root, notes))
    return out


def _held(rng: Rng, piece: Piece, part: int, harmony: Harmony) -> None:
    some = int(rng.choice([1, 2, 3, 4]))  # a single held tone up to the whole chord
    for x, _, notes in _bars(rng, piece, harmony):
        piece.notes += [(x, piece.beats * 0.98, p, part, 0.5) for p in notes[-some:]]


def _stabs(rng: Rng, piece: Piece, part: int, harmony: Harmony) -> None:
    n = piece.beats
    places = [k / 2 for k in range(2 * n) if rng.random() < 0.25] or [n - 0.5]
    for x, _, notes in _bars(rng, piece, harmony):
        piece.notes += [(x + at, 0.3, p, part, 0.75) for at in places for p in notes]


def _second(rng: Rng, piece: Piece, part: int, harmony: Harmony) -> None:
    off, long = float(rng.choice([0.0, 0.5])), float(rng.choice([0.2, 0.5, 0.9]))
    every = float(rng.choice([0.5, 1.0, 1.0, 2.0]))
    for x, _, notes in _bars(rng, piece, harmony):
        at = off
        while at < piece.beats:
            piece.notes += [(x + at, long, p, part, 0.55) for p in notes]
            at += every


def _broken(rng: Rng, piece: Piece, part: int, harmony: Harmony) -> None:
    order, step = rng.permutation(8), float(rng.choice([0.25, 0.5, 0.5, 1.0]))
    for x, _, notes in _bars(rng, piece, harmony):
        for k in range(int(piece.beats / step)):
            j = int(order[k % 8])
            pitch = notes[j % len(notes)] + 12 * (j >= len(notes) and j % 2)
            piece.notes.append((x + k * step, step * 1.4, pitch, part, 0.55))


def _counter(rng: Rng, piece: Piece, steps: int, harmony: Harmony, program: int) -> None:
    """A second tune, which no voice takes."""
    line, part = piece.line, len(piece.programs)
    add_line(rng, piece, steps, harmony, False)
    piece.line, piece.programs[part] = line, program
