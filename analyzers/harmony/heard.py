"""Which notes are played, and not only heard as partials of lower ones.

The fifth partial of a tone is its major third and lies 14 cents below that of equal temperament, the
seventh its minor seventh, 31 cents below (any handbook of acoustics). So what lies on a note of the tempered
scale, as the music is tuned, is played; what lies beside it may be nothing but the sound of another note.
Second and third partials (octave, fifth) cannot be told apart so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.harmony.key_belief import OTHER_FORM, OTHER_FORM_IN
from analyzers.harmony.spelling import SCALES, pitch_class_of
from analyzers.signal.spectrum import FRAME_RATE_HZ, Spectrum, midi_note

IN_TUNE_CENTS, ANYWHERE_CENTS = 7.0, 50.0  # on a note: half of the way to the fifth partial; anywhere near it
TOP_HZ = 1600.0  # above, most partials are high ones
UNHEARD = 0.1  # of the tonic, sums of roots of magnitudes: what a neighbour or a partial may leave on a note

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


def unheard_forms(scale: tuple[str, ...], mode: str | None, played: FloatArray) -> tuple[str, ...]:
    """Sixth and seventh of a minor key of which no form sounds: whether it is raised, nobody can hear.

    Parameters
    ----------
    scale, mode : of the key
    played : `heard_notes` of the whole track [shape=(12,)]
    """
    if mode not in OTHER_FORM_IN:
        return ()
    from_tonic = np.roll(played, -pitch_class_of(scale[0]))
    silent = from_tonic < UNHEARD * from_tonic[0]
    steps = zip(SCALES[mode], scale, strict=True)
    return tuple(
        note for step, note in steps if step in OTHER_FORM and silent[step] and silent[OTHER_FORM[step]]
    )
