"""Voicing: which notes a chord is held with, so that the parts move like singers.

Every chord is set in close or open position inside a vocal range (MIDI notes, middle C = 60, both
ends included), triads in three parts and sevenths in four. Of all settings the sequence with the
least movement is taken (dynamic programming over the settings of each chord): common tones stay,
other parts go to the nearest free tone. Voice leading rules: any handbook of harmony.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise, product

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
    settings = [_settings(chord, low, high) for chord in chords if chord is not None]
    chosen = iter(_least_movement(settings, (low + high) / 2))
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


@lru_cache(maxsize=1 << 14)
def _movement(before: tuple[int, ...], after: tuple[int, ...]) -> float:
    """Semitones the parts travel; a part that splits or joins goes to its nearest neighbour."""
    if len(before) == len(after):
        return float(sum(abs(a - b) for a, b in zip(before, after, strict=True)))
    few, many = sorted((before, after), key=len)
    return float(sum(min(abs(n - m) for m in few) for n in many))


def _least_movement(settings: list[list[tuple[int, ...]]], centre: float) -> list[tuple[int, ...]]:
    if not settings:
        return []

    def place(setting: tuple[int, ...]) -> float:
        return OFF_CENTRE_COST * abs(sum(setting) / len(setting) - centre) * len(setting)

    cost = [place(s) for s in settings[0]]
    back: list[list[int]] = []
    for before, after in pairwise(settings):
        best: list[int] = []
        totals: list[float] = []
        for setting in after:
            ways = [c + _movement(b, setting) for b, c in zip(before, cost, strict=True)]
            best.append(ways.index(min(ways)))
            totals.append(min(ways) + place(setting))
        back.append(best)
        cost = totals
    at = cost.index(min(cost))
    path = [at]
    for best in reversed(back):
        at = best[at]
        path.append(at)
    return [s[i] for s, i in zip(settings, reversed(path), strict=True)]
