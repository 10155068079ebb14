"""Voicing: which notes a chord is held with, so that the parts move like singers.

Every chord is set in close or open position inside a vocal range (MIDI notes, middle C = 60, both
ends included), triads in three parts and sevenths in four. Of all settings the sequence with the
least movement is taken (dynamic programming over the settings of each chord): common tones stay,
other parts go to the nearest free tone. Voice leading rules: any handbook of harmony.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product

import numpy as np
import numpy.typing as npt

QUALITIES: dict[str, tuple[int, ...]] = {
    "maj": (0, 4, 7),
    "min": (0, 3, 7),
    "7": (0, 4, 7, 10),
    "maj7": (0, 4, 7, 11),
    "min7": (0, 3, 7, 10),
    "sus4": (0, 5, 7),
    "sus2": (0, 2, 7),
    "dim": (0, 3, 6),
    "aug": (0, 4, 8),
}
BASS_RANGE = (33, 48)  # A1..C3: heard on small loudspeakers, below the voices
WIDEST_SETTING = 16  # semitones from the lowest to the highest part: a tenth
OFF_CENTRE_COST = 0.15  # per semitone between the middle of the setting and the middle of the range

Chord = tuple[int, str]  # root pitch class, quality
Settings = npt.NDArray[np.int64]  # notes, lowest first [shape=(settings, parts)]


def voice_chords(chords: Sequence[Chord | None], vocal_range: tuple[int, int]) -> list[tuple[int, ...]]:
    """Notes of each chord, lowest first; () where there is none (``None``).

    Raises ValueError when the range is narrower than an octave less a semitone: then some chord
    would have no note in it.
    """
    low, high = vocal_range
    if high - low < 11:
        raise ValueError(
            f"vocal range {low}..{high} is narrower than an octave: widen it to 12 notes or more"
        )
    chosen = iter(_least_movement([chord for chord in chords if chord is not None], low, high))
    return [() if chord is None else next(chosen) for chord in chords]


def bass_notes(chords: Sequence[Chord | None]) -> list[int | None]:
    """Root of each chord in the bass range, each as near as possible to the one before."""
    low, high = BASS_RANGE
    before = (low + high) // 2
    out: list[int | None] = []
    for chord in chords:
        if chord is None:
            out.append(None)
            continue
        places = [n for n in range(low, high + 1) if n % 12 == chord[0] % 12]
        before = min(places, key=lambda n: (abs(n - before), n))
        out.append(before)
    return out


def _settings(chord: Chord, low: int, high: int) -> list[tuple[int, ...]]:
    """All settings of the chord inside the range, each tone once; the narrowest if none is close enough."""
    root, quality = chord
    tones = [[n for n in range(low, high + 1) if n % 12 == (root + i) % 12] for i in QUALITIES[quality]]
    every = sorted({tuple(sorted(notes)) for notes in product(*tones)}, key=lambda s: (s[-1] - s[0], s))
    near = [s for s in every if s[-1] - s[0] <= WIDEST_SETTING]
    return near or every[:1]


def _movements(before: Settings, after: Settings) -> npt.NDArray[np.float64]:
    """Semitones the parts travel from each setting to each [shape=(settings before, after)].

    A part that splits or joins goes to its nearest neighbour.
    """
    gap = np.abs(before[:, None, :, None] - after[None, :, None, :]).astype(np.float64)
    if before.shape[1] == after.shape[1]:
        return np.asarray(np.trace(gap, axis1=2, axis2=3))
    few = 2 if before.shape[1] < after.shape[1] else 3
    return np.asarray(gap.min(axis=few).sum(axis=2))


def _least_movement(chords: Sequence[Chord], low: int, high: int) -> list[tuple[int, ...]]:
    """The sequence of settings in which the parts travel least."""
    if not chords:
        return []
    settings = {chord: np.array(_settings(chord, low, high)) for chord in set(chords)}
    apart = {pair: _movements(settings[pair[0]], settings[pair[1]]) for pair in set(pairwise(chords))}
    off_centre = {
        chord: OFF_CENTRE_COST * np.abs(notes.mean(axis=1) - (low + high) / 2) * notes.shape[1]
        for chord, notes in settings.items()
    }
    cost = off_centre[chords[0]]
    back: list[npt.NDArray[np.intp]] = []
    for before, after in pairwise(chords):
        ways = cost[:, None] + apart[before, after]
        back.append(ways.argmin(axis=0))
        cost = ways.min(axis=0) + off_centre[after]
    at = int(cost.argmin())
    path = [at]
    for best in reversed(back):
        at = int(best[at])
        path.append(at)
    chosen = zip(chords, reversed(path), strict=True)
    return [tuple(settings[chord][number].tolist()) for chord, number in chosen]
