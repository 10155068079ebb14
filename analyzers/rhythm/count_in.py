"""A count-in: sticks, a click or a closed hat count a bar or two, then the band comes in.

Even hits on every beat (in the first of two bars on every other one, perhaps) and nowhere else, with
nothing below them, then a leap of level there. Hats that a beat begins with are struck between the beats,
too; a kick, a bass or a chord alone sounds below. (Thresholds chosen on pieces with a count-in and on beats
without.)
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm import moments
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
MOST_BARS = 2
ON_LINE_S = 0.05  # the first hit is so near a bar line
RING_S = 0.14  # so long after a hit it still sounds
AS_STRONG = 0.5  # hits, against those of the last bar; what is struck between them is weaker than that
LOW = 2  # bands up to 300 Hz: wood rings above
LEAP_DB, LOW_DB = 10.5, 6.0  # by which the bands below come in; what they have before


def count_in(onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float) -> int | None:
    """Index of the bar line after a count-in; None where the song does not begin with one.

    Parameters
    ----------
    lines_s : all bar lines from before the first sound to the end [shape=(n,)]
    beat_s : length of a beat at the beginning
    """
    first = int(np.argmin(np.abs(lines_s - first_sound_s)))
    if abs(lines_s[first] - first_sound_s) > ON_LINE_S:
        return None
    attacks = onsets.attacks
    for bars in range(1, min(MOST_BARS, len(lines_s) - first - 2) + 1):
        lines = lines_s[first : first + bars + 2]
        beats = max(round(float(lines[1] - lines[0]) / beat_s), 1)
        at = np.interp(np.arange(bars * beats) / beats, np.arange(len(lines)), lines)
        if _counted(attacks, onsets.rate, at, beat_s, beats) and _enters(onsets, *lines[[0, -2, -1]]):
            return first + bars
    return None


def _counted(attacks: FloatArray, rate: float, at_s: FloatArray, beat_s: float, beats: int) -> bool:
    """Whether hits lie on all beats, ahead of the last bar on every other one at least, and only there.

    at_s : the beats; beats : in a bar
    """
    hits = np.array(
        [moments.strongest(attacks, rate, t - moments.AT_S[0], t + moments.AT_S[1]) for t in at_s]
    )
    between = [moments.strongest(attacks, rate, t + RING_S, t + beat_s - ON_LINE_S) for t in at_s]
    usual = float(np.median(hits[-beats:]))  # the first one leaps out of silence
    struck = hits > AS_STRONG * usual
    slow = struck[:-beats]
    even = bool(slow.all() or (slow[::2].all() and not slow[1::2].any()))
    return even and bool(struck[-beats:].all()) and max(between) < AS_STRONG * usual


def _enters(onsets: Onsets, start_s: float, entry_s: float, end_s: float) -> bool:
    """Whether only the upper bands sound from `start_s` on, and those below come in at `entry_s`."""
    before, after = (
        moments.level(onsets, a, b)[:LOW].mean()
        for a, b in ((start_s, entry_s - moments.AT_S[0]), (entry_s, end_s))
    )
    return bool(before < LOW_DB and after - before > LEAP_DB)
