"""The foot of the first hit: from where on the copy has to keep the sound.

A hit starts where it rises out of what is far quieter. A lossy codec spreads a part of an attack over the
milliseconds before it (pre-echo; M. Bosi, R. Goldberg, "Introduction to Digital Audio Coding and
Standards", 2003), so the rise is looked for higher there: the same music is cut at the same place whatever
it was sent as. A swell has no such rise and keeps its start.
"""

from __future__ import annotations

import numpy as np

from analyzers.signal.samples import SampleArray

HIT_S = 0.03  # the hit reaches its level within so much of the first sound
RISE_DB, LOSSY_RISE_DB = 40.0, 20.0  # so far below that level it begins
MARGIN_S = 0.001  # kept ahead of that


def first_hit_s(samples: SampleArray, rate: int, first_sound_s: float | None, *, lossy: bool) -> float | None:
    """Seconds of the source at which the first hit starts; None without a sound.

    Parameters
    ----------
    samples : the source [shape=(frames, channels)]
    first_sound_s : the first sample above the threshold of silence (`analyzers.level.silence`)
    lossy : what comes before the rise may be a codec's own
    """
    if first_sound_s is None:
        return first_sound_s
    start = round(first_sound_s * rate)
    level = np.abs(samples[start : start + round(HIT_S * rate)]).max(axis=1)
    if len(level) == 0:
        return first_sound_s
    foot = int(np.argmax(level >= level.max() * 10 ** (-(LOSSY_RISE_DB if lossy else RISE_DB) / 20)))
    return max(first_sound_s, first_sound_s + foot / rate - MARGIN_S)
