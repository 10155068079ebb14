"""Which notes are played, and not only heard as partials of lower ones.

The fifth partial of a tone is its major third and lies 14 cents below that of equal temperament, the
seventh its minor seventh, 31 cents below (any handbook of acoustics). So what lies on a note of the tempered
scale, as the music is tuned, is played; what lies beside it may be nothing but the sound of another note.
Second and third partials (octave, fifth) cannot be told apart so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.signal.spectrum import FRAME_RATE_HZ, Spectrum, midi_note

IN_TUNE_CENTS, ANYWHERE_CENTS = 7.0, 50.0  # on a note: half of the way to the fifth partial; anywhere near it
TOP_HZ = 1600.0  # above, most partials are high ones

FloatArray = npt.NDArray[np.float64]


def heard_notes(
    spectrum: Spectrum, cents: float, edges: FloatArray, reach_cents: float = IN_TUNE_CENTS
) -> FloatArray:
    """How much of each pitch class lies on its note in each step between ``edges`` (s) [shape=(steps, 12)].

    The sum of roots of magnitudes; the notes lie so many ``cents`` above A4 = 440 Hz.
    """
    partials, steps = spectrum.treble, len(edges) - 1
    pitch = midi_note(partials.hz.astype(np.float64)) - cents / 100
    note = np.rint(pitch).astype(int)
    step = np.searchsorted(edges, partials.frame / FRAME_RATE_HZ, side="right") - 1
    kept = (
        (partials.hz <= TOP_HZ) & (np.abs(pitch - note) <= reach_cents / 100) & (step >= 0) & (step < steps)
    )
    cell = step[kept] * 12 + note[kept] % 12
    weight = np.sqrt(partials.magnitude[kept].astype(np.float64))
    return np.bincount(cell, weight, 12 * steps).reshape(steps, 12).astype(np.float64)
