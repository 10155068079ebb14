"""Harmony as the genres use it, for `played_notes.py`: a loop of chords on a tonic, with the key it is in.

Common practice of the genres; drawn wide, so that loops that never sound the tonic, one-chord vamps, power
chords, modes and blues are all there. A `Harmony` says which key a listener would name.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzers.harmony.spelling import SCALES
from tests.training.genre_loops import coloured, genre_loop, secondary
from tests.training.harmony_corpus import DEGREE_WEIGHTS

Rng = np.random.Generator
Shape = tuple[int, ...]
MAJOR, MINOR, SEVENTH, MINOR_SEVENTH, MAJOR_SEVENTH = (
    (0, 4, 7), (0, 3, 7), (0, 4, 7, 10), (0, 3, 7, 10), (0, 4, 7, 11),
)  # fmt: skip
TWO_PARTS = 0.3  # share of the pieces whose loop gives way to another of the same key
POWER, SIXTH, HALF = (0, 7, 12), (0, 4, 7, 9), (0, 3, 6, 10)

# Chance of each mode, of sevenths, of power chords, and of a loop that never sounds its tonic.
MANNERS: dict[str, tuple[dict[str, float], float, float, float]] = {
    "rock": ({"major": 4, "mixolydian": 3, "minor": 3, "dorian": 1}, 0.05, 0.45, 0.05),
    "metal": ({"minor": 7, "phrygian": 2, "harmonic minor": 1, "dorian": 0.5}, 0.0, 0.85, 0.03),
    "country": ({"major": 9, "mixolydian": 1}, 0.15, 0.0, 0.02),
    "jazz": ({"major": 5, "minor": 4, "dorian": 1.5}, 0.95, 0.0, 0.08),
    "reggae": ({"major": 5, "minor": 5, "mixolydian": 1, "dorian": 1}, 0.1, 0.0, 0.05),
    "disco": ({"minor": 6, "major": 3, "dorian": 3}, 0.5, 0.0, 0.12),
    "funk": ({"dorian": 4, "minor": 3, "mixolydian": 4}, 0.75, 0.0, 0.05),
    "hiphop": ({"minor": 7, "dorian": 2, "phrygian": 1, "major": 2}, 0.4, 0.0, 0.2),
    "pop": ({"major": 6, "minor": 4, "mixolydian": 0.5}, 0.1, 0.05, 0.12),
    "ballad": ({"major": 6, "minor": 4}, 0.2, 0.0, 0.06),
    "soul": ({"major": 5, "minor": 3, "mixolydian": 1}, 0.35, 0.0, 0.06),
    "waltz": ({"major": 6, "minor": 4}, 0.1, 0.0, 0.02),
    "bossa": ({"major": 5, "minor": 3}, 0.95, 0.0, 0.08),
    "strum": ({"major": 6, "minor": 3, "mixolydian": 1}, 0.1, 0.0, 0.08),
    "keys": ({"major": 5, "minor": 4, "harmonic minor": 1}, 0.2, 0.0, 0.08),
    "sequence": ({"minor": 5, "major": 4, "dorian": 1, "phrygian": 0.5, "mixolydian": 1}, 0.1, 0.1, 0.08),
}  # fmt: skip
VAMPS = {  # of two chords: steps above the tonic, by mode
    "major": ((0, 5), (0, 7), (0, 2), (0, 9)), "mixolydian": ((0, 10), (0, 5)),
    "minor": ((0, 5), (0, 8), (0, 10), (0, 3)), "dorian": ((0, 5), (0, 2)),
    "phrygian": ((0, 1),), "harmonic minor": ((0, 7), (0, 8)),
}  # fmt: skip
TURNS = (  # jazz: (steps above the tonic, shape), a bar each
    ((2, MINOR_SEVENTH), (7, SEVENTH), (0, MAJOR_SEVENTH), (0, MAJOR_SEVENTH)),
    ((0, MAJOR_SEVENTH), (9, MINOR_SEVENTH), (2, MINOR_SEVENTH), (7, SEVENTH)),
    ((0, SIXTH), (9, SEVENTH), (2, MINOR_SEVENTH), (7, SEVENTH)),
    ((4, MINOR_SEVENTH), (9, SEVENTH), (2, SEVENTH), (7, SEVENTH), (0, MAJOR_SEVENTH), (0, SIXTH)),
)
MINOR_TURNS = (
    ((2, HALF), (7, SEVENTH), (0, MINOR_SEVENTH), (0, MINOR_SEVENTH)),
    ((0, MINOR), (8, SEVENTH), (7, SEVENTH), (0, MINOR)),
    ((0, MINOR_SEVENTH), (5, MINOR_SEVENTH), (2, HALF), (7, SEVENTH)),
)

M7, MI7, D7 = MAJOR_SEVENTH, MINOR_SEVENTH, SEVENTH
FORMS = {  # jazz: sections of longer songs, a bar each
    "major": (
        ((0, M7), (9, MI7), (2, MI7), (7, D7), (4, MI7), (9, D7), (2, MI7), (7, D7)),
        ((0, D7), (0, D7), (5, SIXTH), (5, MINOR), (0, M7), (7, D7), (0, SIXTH), (7, D7)),
        ((0, M7), (0, M7), (7, MI7), (0, D7), (5, M7), (10, D7), (0, M7), (9, D7)),
        ((0, M7), (2, D7), (2, D7), (7, D7), (2, MI7), (7, D7), (0, M7), (7, D7)),
        ((4, D7), (4, D7), (9, D7), (9, D7), (2, D7), (2, D7), (7, D7), (7, D7)),
        ((2, MI7), (1, D7), (0, M7), (9, D7), (2, MI7), (7, D7), (0, SIXTH), (0, SIXTH)),
        ((0, M7), (5, D7), (4, MI7), (9, D7), (2, MI7), (7, D7), (0, M7), (7, D7)),
    ),
    "minor": (
        ((5, MI7), (10, D7), (3, M7), (8, M7), (2, HALF), (7, D7), (0, MI7), (0, MI7)),
        ((0, MI7), (0, MI7), (5, MI7), (5, MI7), (2, HALF), (7, D7), (0, MI7), (7, D7)),
        ((0, MINOR), (10, D7), (8, D7), (7, D7), (0, MINOR), (10, D7), (8, D7), (7, D7)),
        ((0, MI7), (0, MI7), (0, MI7), (0, MI7), (1, MI7), (1, MI7), (0, MI7), (0, MI7)),
        ((0, MI7), (9, HALF), (2, HALF), (7, D7), (0, MI7), (8, D7), (7, D7), (0, MI7)),
    ),
}  # fmt: skip
LOOPS = {  # of popular songs: steps above the tonic, a bar each
    "major": ((0, 7, 9, 5), (0, 5, 7, 5), (0, 9, 5, 7), (5, 7, 0, 0), (0, 0, 5, 5), (0, 5, 0, 7),
              (0, 2, 5, 0), (5, 0, 7, 9), (0, 4, 5, 7), (2, 7, 0, 0), (0, 7, 5, 5), (7, 5, 0, 0)),
    "mixolydian": ((0, 10, 5, 0), (0, 10, 5, 5), (0, 5, 10, 0), (0, 0, 10, 10), (0, 10, 0, 5)),
    "minor": ((0, 8, 3, 10), (0, 10, 8, 10), (0, 5, 10, 3), (0, 3, 10, 8), (0, 10, 8, 7), (0, 5, 7, 0),
              (0, 0, 8, 10), (8, 10, 0, 0), (5, 0, 8, 10), (0, 5, 0, 7)),
    "dorian": ((0, 5, 0, 5), (0, 10, 5, 0), (0, 3, 5, 5), (0, 2, 0, 2)),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Harmony:
    """tonic : pitch class; mode : one of `SCALES`; chords : (root as steps above C, shape) of each bar
    melody : pitch classes above the tonic that lines use; blues : by the rules of the blues
    """

    tonic: int
    mode: str
    chords: list[tuple[int, Shape]]
    melody: tuple[int, ...]
    blues: bool = False


def draw_harmony(rng: Rng, genre: str, bars: int) -> Harmony:
    """The chords of `bars` bars, from a random bar of the loop on when an excerpt may begin anywhere."""
    tonic = int(rng.integers(12))
    if genre == "blues" or (genre in ("rock", "jazz", "country", "soul", "funk") and rng.random() < 0.12):
        return _blues(rng, tonic, bars, genre)
    modes, sevenths, power, homeless = MANNERS[genre]
    share = np.array(list(modes.values()))
    mode = str(rng.choice(list(modes), p=share / share.sum()))
    parts = [
        _form(rng, mode) if genre in ("jazz", "bossa") and rng.random() < 0.8 and mode in ("major", "minor")
        else _loop(rng, genre, mode, sevenths, power, homeless)
        for _ in range(2 if rng.random() < TWO_PARTS else 1)
    ]  # fmt: skip
    loop = [(d, coloured(rng, genre, shape, d == 0)) for d, shape in _in_turn(parts)]
    span = 1 if genre == "jazz" else int(rng.choice([1, 1, 1, 2]))
    start = 0 if rng.random() < 0.5 else int(rng.integers(len(loop)))
    chords = [loop[(start + k // span) % len(loop)] for k in range(bars)]
    melody = SCALES[mode]
    if genre in ("rock", "metal", "hiphop", "funk") and rng.random() < 0.5:
        melody = (0, 3, 5, 7, 10) if mode in ("minor", "dorian", "phrygian") else (0, 2, 4, 7, 9)
        if mode in ("major", "mixolydian") and rng.random() < 0.4:
            melody = (0, 3, 4, 5, 7, 10)  # blue notes over major chords
    return Harmony(tonic, mode, [((tonic + d) % 12, s) for d, s in chords], tuple(melody))


def _in_turn(parts: list[list[tuple[int, Shape]]]) -> list[tuple[int, Shape]]:
    """Each part of a song twice or more, until it has lasted eight bars or so."""
    if len(parts) == 1:
        return parts[0]
    return [bar for part in parts for _ in range(max(1, 8 // len(part))) for bar in part]


def _form(rng: Rng, mode: str) -> list[tuple[int, Shape]]:
    """A turn that comes again, or sections of a song; dominants now and then a tritone away."""
    turns = TURNS if mode == "major" else MINOR_TURNS
    if rng.random() < 0.4:
        return list(turns[rng.integers(len(turns))])
    parts = FORMS[mode]
    first, second = parts[rng.integers(len(parts))], parts[rng.integers(len(parts))]
    form = [*first, *first, *second, *first] if rng.random() < 0.5 else [*first, *second]
    return [((d + 6) % 12, s) if s is SEVENTH and d and rng.random() < 0.05 else (d, s) for d, s in form]


def _loop(
    rng: Rng, genre: str, mode: str, sevenths: float, power: float, homeless: float
) -> list[tuple[int, Shape]]:
    draw, own = rng.random(), genre_loop(rng, genre, mode)
    if draw < 0.08:
        degrees = [0]
    elif draw < 0.55 and own:
        degrees = own
    elif draw < 0.28:
        degrees = list(VAMPS[mode][rng.integers(len(VAMPS[mode]))])
    elif draw < 0.66 and mode in LOOPS:
        degrees = list(LOOPS[mode][rng.integers(len(LOOPS[mode]))])
    else:
        degrees = _walk(rng, mode, homeless)
    use_power = rng.random() < power
    second = {d: secondary(rng, genre, mode, d) for d in degrees}
    return [(d, POWER if use_power else _shape(rng, mode, d, sevenths, second[d])) for d in degrees]


def _walk(rng: Rng, mode: str, homeless: float) -> list[int]:
    """Four or eight degrees of the scale; the first is mostly the tonic."""
    scale, weights = SCALES[mode], np.array(DEGREE_WEIGHTS[mode])
    away = rng.random() < homeless
    if away:
        weights = weights * np.array([0.0, 1, 1, 1, 1, 1, 1])
    count = int(rng.choice([2, 3, 4, 4, 4, 4, 8]))
    here = 0 if not away and rng.random() < 0.75 else int(rng.choice(7, p=weights / weights.sum()))
    found = [here]
    while len(found) < count:
        options = weights.copy()
        options[here] *= 0.1
        here = int(rng.choice(7, p=options / options.sum()))
        found.append(here)
    if not away and 0 not in found:
        found[0] = 0
    return [scale[k] for k in found]


def _shape(rng: Rng, mode: str, degree: int, sevenths: float, dominant: bool) -> Shape:
    """Thirds stacked in the scale; the minor keys' dominant is often major, and so is what is borrowed."""
    scale = SCALES[mode]
    if dominant:
        return SEVENTH if rng.random() < 0.5 else MAJOR
    if degree not in scale:
        return MAJOR
    tones = {(s - degree) % 12 for s in scale}
    third = 4 if 4 in tones and 3 not in tones else 3
    if mode == "minor" and degree == 7 and rng.random() < 0.4:
        third = 4
    fifth = 7 if 7 in tones else 6
    shape: Shape = (0, third, fifth)
    if rng.random() < sevenths:
        top = 10 if 10 in tones or (third == 4 and degree == 7) else 11
        return (*shape, top)
    if fifth == 7 and rng.random() < 0.05:
        return (0, 5, 7) if rng.random() < 0.5 else (0, 2, 7)
    return shape


def _blues(rng: Rng, tonic: int, bars: int, genre: str) -> Harmony:
    """Twelve bars (or eight) on the first, fourth and fifth degree, mostly all with a minor seventh."""
    minor = rng.random() < 0.2
    home, other = ((0, MINOR_SEVENTH), (5, MINOR_SEVENTH)) if minor else ((0, SEVENTH), (5, SEVENTH))
    if not minor and rng.random() < 0.2:
        home, other = (0, MAJOR), (5, SEVENTH)
    if not minor and genre == "rock" and rng.random() < 0.5:
        home, other = (0, POWER), (5, POWER)
    five = (7, POWER if home[1] == POWER else SEVENTH if not minor or rng.random() < 0.7 else MINOR_SEVENTH)
    second = other if rng.random() < 0.4 else home
    ninth = (8, SEVENTH) if minor and rng.random() < 0.5 else five
    tenth = other if rng.random() < 0.7 else five
    turn = five if rng.random() < 0.7 else home
    twelve = [home, second, home, home, other, other, home, home, ninth, tenth, home, turn]
    eight = [home, five, other, other, home, five, home, turn]
    loop = twelve if rng.random() < 0.85 else eight
    if rng.random() < 0.08:
        loop = [home]  # a drone blues on one chord
    loop = [(root, coloured(rng, genre, shape, root == 0)) for root, shape in loop]
    start = 0 if rng.random() < 0.4 else int(rng.integers(len(loop)))
    chords = [loop[(start + k) % len(loop)] for k in range(bars)]
    melody = (0, 3, 5, 6, 7, 10) if minor or rng.random() < 0.6 else (0, 3, 4, 5, 7, 9, 10)
    return Harmony(
        tonic, "minor" if minor else "major", [((tonic + d) % 12, s) for d, s in chords], melody, True
    )
