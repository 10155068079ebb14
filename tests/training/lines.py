"""A tune over a band's chords: phrases that breathe, lean on chord tones and mostly come home.

Common practice: a phrase takes two or four bars and ends on the tonic more often than elsewhere; what falls
on the beat is mostly in the chord; improvised lines approach chord tones by half steps.
"""

from __future__ import annotations

import numpy as np

from tests.training.pieces import Piece
from tests.training.progressions import Harmony

Rng = np.random.Generator

PROGRAMS = (65, 66, 56, 73, 27, 0, 11, 22, 52, 53, 29, 40, 80)  # General MIDI, from 0
LENGTHS = {4: (0.25, 0.5, 0.5, 1, 0.75, 2), 2: (0.5, 0.5, 1, 1, 1.5, 2), 3: (0.5, 0.5, 1, 1, 1.5, 2)}


def add_line(rng: Rng, piece: Piece, steps: int, harmony: Harmony, improvised: bool) -> None:
    """A part of its own with the tune; `piece.line` then says which."""
    part, n = len(piece.programs), piece.beats
    piece.programs.append(int(rng.choice(PROGRAMS)))
    piece.line = part
    centre = 62 + int(rng.integers(-6, 7))
    home, true = float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.35, 0.8))
    span = n * int(rng.choice([2, 2, 4]))
    here = centre
    for start in range(0, piece.count, span):
        x, end = start + float(rng.choice([0, 0, 0.5, 1, 1.5])), start + span * float(rng.uniform(0.55, 0.95))
        while x < min(end, piece.count - 1):
            long = float(rng.choice(LENGTHS[steps]))
            last = x + long >= end
            root, shape = harmony.chords[min(int(x) // n, len(harmony.chords) - 1)]
            chord = {(root + t) % 12 for t in shape}
            allowed = _scale(harmony) | (chord if improvised else set())
            if x % 1 == 0 and rng.random() < true:
                allowed = chord
            if last and rng.random() < home:
                allowed = {harmony.tonic}
            here = _step(rng, here, centre, allowed)
            if improvised and rng.random() < 0.2 and long >= 0.5:
                piece.notes.append((x, long * 0.45, here + int(rng.choice([-1, 1])), part, 0.6))
                piece.notes.append((x + long / 2, long * 0.45, here, part, 0.7))
            elif last or rng.random() < 0.88:
                piece.notes.append((x, long * (1.6 if last else 0.92), here, part, 0.7))
            x += long


def _step(rng: Rng, here: int, centre: int, allowed: set[int]) -> int:
    """The next note: near this one, inside an octave or so around the centre."""
    back = int(np.sign(centre - here)) if abs(here - centre) > 7 else 0
    wish = here + back + int(rng.choice([-3, -2, -1, -1, 0, 1, 1, 2, 3]))
    return min((p for p in range(wish - 11, wish + 12) if p % 12 in allowed), key=lambda p: abs(p - wish))


def _scale(harmony: Harmony) -> set[int]:
    return {(harmony.tonic + s) % 12 for s in harmony.melody}


def riff(rng: Rng, harmony: Harmony, steps: int, beats: int) -> list[tuple[float, int]]:
    """(beat, steps above the tonic) of a riff of one or two bars over a low tonic that keeps coming back."""
    above = np.array(sorted({0, 7, *harmony.melody}))
    weights = np.where(above == 0, 5.0, 1.0)
    if rng.random() < 0.25:
        above, weights = np.append(above, [1, 6]), np.append(weights, [1.0, 0.7])
    out = []
    for k in range(beats * steps * int(rng.choice([1, 2, 2]))):
        if k == 0 or rng.random() < (0.8 if k % steps == 0 else 0.55):
            tone = 0 if k == 0 and rng.random() < 0.85 else int(rng.choice(above, p=weights / weights.sum()))
            out.append((k / steps, tone))
    return out
