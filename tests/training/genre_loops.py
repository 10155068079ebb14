"""Loops of chords as each genre has them, and the colours of its chords, for `progressions.py`.

Common practice of the genres. Steps above the tonic, a bar each; a root outside the scale carries a major
chord (borrowed: the flat third, sixth and seventh of rock), and so do secondary dominants.
"""

from __future__ import annotations

import numpy as np

Rng = np.random.Generator
Shape = tuple[int, ...]
Loops = tuple[tuple[int, ...], ...]

GENRE_LOOPS: dict[str, dict[str, Loops]] = {
    "rock": {
        "major": ((0, 10, 5, 0), (0, 3, 5, 0), (0, 3, 10, 5), (0, 8, 10, 0), (0, 5, 3, 0), (8, 10, 0, 0),
                  (0, 5, 10, 5), (0, 0, 3, 5), (0, 10, 0, 10), (0, 5, 7, 5), (0, 7, 9, 5), (0, 0, 5, 0)),
        "minor": ((0, 3, 5, 0), (0, 10, 8, 7), (0, 3, 10, 5), (0, 0, 10, 8), (8, 10, 0, 0), (0, 5, 3, 10),
                  (0, 10, 0, 3), (0, 8, 10, 0), (0, 10, 5, 5)),
    },
    "metal": {
        "minor": ((0, 0, 8, 10), (0, 1, 0, 3), (0, 6, 5, 3), (0, 3, 5, 6), (0, 8, 6, 7), (0, 10, 8, 7),
                  (0, 0, 0, 1), (0, 3, 2, 1), (0, 8, 3, 10), (0, 5, 8, 7), (0, 10, 8, 10)),
        "major": ((0, 10, 5, 0), (0, 3, 5, 5), (0, 5, 10, 0), (0, 8, 10, 0), (0, 0, 5, 7)),
    },
    "disco": {
        "minor": ((0, 5, 10, 3, 8, 2, 7, 7), (0, 0, 5, 5), (0, 5), (0, 10, 8, 7), (8, 10, 0, 0),
                  (0, 0, 10, 10), (5, 10, 0, 0), (0, 5, 0, 7), (8, 7, 0, 0), (0, 3, 10, 5), (5, 7, 0, 0)),
        "major": ((0, 9, 2, 7), (5, 4, 2, 7), (0, 0, 2, 2), (5, 7, 4, 9), (0, 5), (2, 7, 0, 9), (0, 7, 9, 5),
                  (0, 4, 5, 7), (2, 7, 0, 0)),
        "dorian": ((0, 5), (0, 0, 5, 5), (0, 2), (0, 10, 5, 5)),
    },
    "hiphop": {
        "minor": ((0, 8), (0, 0, 8, 7), (0, 5, 0, 7), (0, 10, 8, 10), (0, 0, 5, 5), (0, 8, 5, 7), (0,),
                  (0, 3), (0, 10), (5, 0), (8, 7, 0, 0), (0, 1)),
        "major": ((0, 2), (0, 9), (0, 5), (5, 4, 2, 0), (0, 9, 2, 7), (5, 0)),
    },
    "pop": {
        "major": ((0, 7, 9, 5), (9, 5, 0, 7), (0, 9, 5, 7), (5, 7, 0, 9), (5, 0, 7, 9), (0, 5, 9, 7),
                  (0, 4, 5, 7), (0, 4, 9, 5), (0, 7, 2, 5), (0, 5, 0, 7), (0, 9, 2, 7), (5, 5, 0, 7)),
        "minor": ((0, 8, 3, 10), (8, 3, 10, 0), (8, 10, 0, 0), (0, 5, 8, 10), (0, 10, 5, 8), (0, 10, 8, 7),
                  (0, 3, 10, 5), (8, 10, 0, 7), (0, 5, 10, 3)),
    },
    "country": {
        "major": ((0, 0, 5, 5, 0, 0, 7, 7), (0, 0, 0, 7, 7, 7, 7, 0), (0, 5, 0, 7, 0, 5, 7, 0),
                  (0, 0, 5, 0, 0, 0, 7, 0), (0, 2, 7, 0), (0, 9, 2, 7), (0, 0, 5, 5, 7, 7, 0, 0),
                  (0, 10, 5, 0), (5, 5, 0, 0, 2, 2, 7, 7), (0, 0, 2, 2, 7, 7, 0, 0)),
    },
    "reggae": {
        "major": ((0, 0, 5, 5), (0, 7), (0, 5, 7, 5), (0, 2), (0, 7, 9, 5), (0, 5), (0, 5, 0, 7)),
        "minor": ((0, 5), (0, 10), (0, 0, 5, 5), (0, 10, 8, 10), (0, 3, 10, 0), (0, 7), (0,)),
    },
    "soul": {
        "major": ((0, 9, 5, 7), (0, 9, 2, 7), (0, 5), (0, 4, 5, 7), (0, 0, 5, 5), (5, 5, 0, 0), (0, 2, 5, 0)),
        "minor": ((0, 5), (0, 10, 8, 7), (0, 8, 5, 7), (5, 10, 3, 8)),
    },
    "ballad": {
        "major": ((0, 9, 5, 7), (0, 4, 9, 5), (0, 7, 9, 4, 5, 0, 5, 7), (0, 5, 0, 7), (0, 7, 5, 0),
                  (9, 5, 0, 7), (0, 2, 7, 0)),
    },
    "funk": {"dorian": ((0,), (0, 5), (0, 0, 0, 5), (0, 10), (0, 10, 5, 5)),
             "mixolydian": ((0,), (0, 5), (0, 0, 5, 5), (0, 10), (0, 3))},
}  # fmt: skip
SECONDARY = {"country": 0.4, "soul": 0.3, "ballad": 0.25, "waltz": 0.25, "pop": 0.1, "reggae": 0.1,
             "disco": 0.2, "rock": 0.15}  # fmt: skip
COLOURED = {"jazz": 0.75, "bossa": 0.6, "soul": 0.3, "funk": 0.5, "disco": 0.3, "hiphop": 0.3, "keys": 0.1}
ROOTLESS = {"jazz": 0.4, "bossa": 0.3, "funk": 0.2, "hiphop": 0.1, "disco": 0.15}
NINTH, THIRTEENTH, ALTERED = 14, 21, (13, 15, 18, 20)


def genre_loop(rng: Rng, genre: str, mode: str) -> list[int] | None:
    """Degrees of a loop of this genre and mode, None where it has none of its own."""
    mine = GENRE_LOOPS.get(genre, {}).get(mode)
    return list(mine[rng.integers(len(mine))]) if mine else None


def secondary(rng: Rng, genre: str, mode: str, degree: int) -> bool:
    """Whether a minor chord of a major key becomes the dominant of the one a fifth below."""
    return mode == "major" and degree in (2, 4, 9) and rng.random() < SECONDARY.get(genre, 0.0)


def coloured(rng: Rng, genre: str, shape: Shape, home: bool) -> Shape:
    """Sevenths with ninths, thirteenths, altered tones; the root now and then left to the bass."""
    if 10 not in shape and 11 not in shape and 9 not in shape:
        return shape
    if rng.random() < COLOURED.get(genre, 0.0):
        dominant = 4 in shape and 10 in shape
        if dominant and not home and rng.random() < 0.3:
            shape = (*shape, int(rng.choice(ALTERED)))
        else:
            shape = (*shape, NINTH)
        if dominant and rng.random() < 0.4:
            shape = (*(t for t in shape if t != 7), THIRTEENTH)
    if rng.random() < ROOTLESS.get(genre, 0.0):
        shape = tuple(t for t in shape if t)
    return shape
