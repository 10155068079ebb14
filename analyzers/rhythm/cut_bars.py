"""Bars that were cut in another number of beats than they have: the tempo is a fraction of what was read.

Attacks come again after the beat that a bar has, whatever it was cut in:

* Without drums nothing but a bar of five or seven may come again evenly, and the lattice of four even parts
  fits it, or fits two such bars. Inside, attacks come again after fifths or sevenths of such a part, and not
  after its halves and quarters: the tempo is 5/4 or 7/4 of what was read, or twice that. Of 370 generated
  beats and sequences four, all in five and all cut so, have them stronger there by 0.15 or more, the others
  by 0.01 at most.
* Four beats of three rows are twelve rows, and so are three beats of four. No bar of three comes again by its
  halves, one of four does: the tempo is 4/3. Of 29 bars of three read in the same music four were of four,
  and come again after half a bar by 0.12 or more rather than after each beat; the others by 0.05 at most.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.in_beats import STEP, recurrence_of
from analyzers.rhythm.reading import Reading
from analyzers.rhythm.shares import SLOW_BPM
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
ODD = (5, 7)  # beats that a bar may have
PARTS = (1 / 4, 1 / 2, 3 / 4, 3 / 2)
CLEARLY = 0.08  # by so much attacks come again after some parts of a beat rather than after others
SURE = 0.8  # probability of the tempo that follows, at most
IN_FOUR = 0.5  # and that bars of four begin where the first one of five or seven does: later ones do not


def cut_anew(onsets: Onsets, pulse_s: float, reading: Reading) -> Reading:
    """The reading, or the one with the beats that its bars have. Bars of five and seven stay four beats long
    (they cannot be said: `odd_bars` doubts them).

    pulse_s : length of a pulse
    """
    rate, beat_s = onsets.rate / STEP, pulse_s * reading.ratio
    curve = recurrence_of(onsets.levelled, rate)

    def after(*parts: float) -> FloatArray:
        out: FloatArray = np.interp(np.array(parts) * beat_s * rate, np.arange(len(curve)), curve, right=0.0)
        return out

    even = after(*PARTS).max()
    for count in ODD:
        if after(2 / count, 4 / count, 6 / count).min() > even + CLEARLY:
            fast = 60 / beat_s * count / 4 >= SLOW_BPM
            found = _counted(reading, (4 if fast else 2) / count)
            return replace(found, bar_probability=min(reading.bar_probability, IN_FOUR), other_lines=())
    half_bar, quarter, beat, half = after(3 / 2, 3 / 4, 1.0, 1 / 2).tolist()
    if reading.beats == 3 and half_bar > beat + CLEARLY and quarter > half:
        return _counted(reading, 3 / 4)
    return reading


def _counted(reading: Reading, beat: float) -> Reading:
    """The same bar lines, four beats a bar of so many of the reading's."""
    ratio, sure = reading.ratio * beat, min(reading.tempo_probability, SURE)
    return replace(
        reading,
        ratio=ratio,
        beats=4,
        tempo_probability=sure,
        meter_probability=sure,
        tempi=((ratio, sure), (reading.ratio, 1.0 - sure)),
        other_meters=(),
    )
