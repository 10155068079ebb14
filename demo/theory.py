"""Notes, scales, chords and chord loops for the beat synthesiser.

Convention: pitch classes count semitones from C; degrees are written 1..7 from the tonic with an
optional ``b`` or ``#`` in front and an optional chord quality after a colon (``b7``, ``5:7``, ``4:m``).
Scales and chord spellings: any handbook of music theory (the seven-note modes and tertian chords).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "minor": (0, 2, 3, 5, 7, 8, 10),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
}
PLAIN_MODE = {"dorian": "minor", "phrygian": "minor", "mixolydian": "major", "harmonic minor": "minor"}
QUALITIES: dict[str, tuple[int, ...]] = {
    "": (0, 4, 7),
    "m": (0, 3, 7),
    "7": (0, 4, 7, 10),
    "maj7": (0, 4, 7, 11),
    "m7": (0, 3, 7, 10),
    "sus4": (0, 5, 7),
    "sus2": (0, 2, 7),
    "dim": (0, 3, 6),
    "aug": (0, 4, 8),
}
_BY_TONES = {tones: name for name, tones in QUALITIES.items()}
_MAJOR = ("C", "D flat", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B")
_MINOR = ("C", "C sharp", "D", "E flat", "E", "F", "F sharp", "G", "G sharp", "A", "B flat", "B")
_FLAT_ROOTS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_SHARP_ROOTS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FLAT_KEYS = {"major": (0, 1, 3, 5, 8, 10), "minor": (0, 2, 3, 5, 7, 10)}

LOOPS: dict[str, tuple[str, ...]] = {
    "major": ("1 5 6 4", "1 6 4 5", "6 4 1 5", "4 1 5 6", "1 4 5 4", "1 4", "1 3 4 5", "1 2 4 5",
        "2 5:7 1 6", "1 b7 4 1", "1 5 4 5", "4 5 3 6", "4 5 6 1", "1 6 2 5:7", "1 4 6 5", "1 1 4 5",
        "6 5 4 5", "1 5:sus4 6 4", "1 4:m 1 5", "1 3:7 6 4", "4 3 2 1", "1 7 6 5", "1 5 2 4", "1 4 1 5",
        "1 5 6 3 4 1 4 5", "1 6 4 5 1 6 2 5", "2 5 1", "1 2:sus2 4 1"),
    "minor": ("1 6 3 7", "1 7 6 7", "1 4 7 3", "1 6 7 1", "1 3 7 6", "6 7 1 1", "1 4 5 1", "1 5 6 4",
        "1 4 1 5:7", "1 6", "1 4", "1 7", "1 1 6 7", "6 1 7 4", "1 5:7 6 4", "1 2 5:7 1", "4 1 5 1",
        "1 3 4 6", "6 7 5 1", "1 6 4 5:7", "1 b2 1 7", "1 7 6 5:7", "1 1 4 4 6 6 5:7 5:7", "1 4 3 6",
        "1 1 1 6", "6 5 1 1", "1 6 3 7 4 1 5:7 5:7", "1:sus2 6 4 7"),
    "dorian": ("1 4", "1 4 1 7", "1 2 3 4", "1 7 4 1", "1 3 4 4", "1 2", "1 4 7 1", "1 5 4 1"),
    "phrygian": ("1 2", "1 2 3 2", "1 2 1 7", "1 1 2 1", "1 6 2 1", "1 7 2 1", "1 3 2 1"),
    "mixolydian": ("1 7 4 1", "1 7", "1 7 4 4", "1 5 7 4", "1 2 7 1", "1 4 7 1", "4 7 1 1"),
    "harmonic minor": ("1 5", "1 4 5 1", "1 6 5 1", "1 5:7 6 5:7", "1 2 5:7 1", "1 6 4 5:7", "4 5:7 1 1"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Chord:
    root: int  # pitch class
    quality: str  # key of QUALITIES

    @property
    def tones(self) -> tuple[int, ...]:
        return tuple((self.root + step) % 12 for step in QUALITIES[self.quality])

    def moved(self, semitones: int) -> Chord:
        return Chord((self.root + semitones) % 12, self.quality)


def key_name(tonic: int, mode: str) -> str:
    """'E flat' for pitch class 3: the spelling with the fewer accidentals in the key signature."""
    return (_MINOR if PLAIN_MODE.get(mode, mode) == "minor" else _MAJOR)[tonic % 12]


def parse_key(name: str) -> tuple[int, str]:
    """'E flat dorian' -> (3, 'minor'): pitch class and plain mode; ValueError for what is not a key."""
    for mode in sorted((*PLAIN_MODE, "major", "minor"), key=len, reverse=True):
        if name.endswith(f" {mode}"):
            letter, *sign = name.removesuffix(f" {mode}").split()
            step = {"sharp": 1, "flat": -1}[sign[0]] if sign else 0
            return ("C D EF G A B".index(letter) + step) % 12, PLAIN_MODE.get(mode, mode)
    raise ValueError(f"not a key: {name!r}")


def chord_label(chord: Chord, tonic: int, mode: str) -> str:
    flat = tonic % 12 in _FLAT_KEYS[PLAIN_MODE.get(mode, mode)]
    return (_FLAT_ROOTS if flat else _SHARP_ROOTS)[chord.root % 12] + chord.quality


def diatonic(tonic: int, mode: str, token: str, seventh: bool = False) -> Chord:
    """Chord on a degree; a seventh only where the result is a common chord (dim stays a triad)."""
    degree, _, quality = token.partition(":")
    accidental = {"b": -1, "#": 1}.get(degree[0], 0)
    k = int(degree.lstrip("b#")) - 1
    scale = SCALES["major"] if accidental else SCALES[mode]  # "b7" counts from the major scale
    root = (tonic + scale[k] + accidental) % 12
    if ":" in token or accidental:
        return Chord(root, quality)
    tones = tuple((scale[(k + 2 * i) % 7] - scale[k]) % 12 for i in range(4 if seventh else 3))
    if tones in _BY_TONES:
        return Chord(root, _BY_TONES[tones])
    return Chord(root, _BY_TONES.get(tones[:3], "m"))


def draw_loop(rng: np.random.Generator, mode: str) -> list[str]:
    """A chord loop: two times in three a usual one, else a random walk that visits the tonic."""
    if rng.random() < 0.65:
        return str(rng.choice(LOOPS[mode])).split()
    length = int(rng.choice([2, 3, 4, 4, 4, 8]))
    weights = np.array([3.0, 1.0, 1.0, 2.5, 2.0, 2.0, 1.0])
    if mode in ("major", "harmonic minor"):
        weights[6] = 0.2
    tokens = [int(rng.choice(7, p=weights / weights.sum())) + 1 for _ in range(length)]
    tokens[0 if rng.random() < 0.75 else -1] = 1
    return [str(t) for t in tokens]
