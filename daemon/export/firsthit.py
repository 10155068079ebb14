"""The foot of the first hit: from where on the copy has to keep the sound.

It starts with the first sound, however soft that begins: a stick, a hammer or a breath before the tone is
the hit's own. Only where something lies over it is a hit looked for where it rises out of what is far
quieter. A lossy codec spreads a part of an attack over the milliseconds before it (pre-echo; M. Bosi,
R. Goldberg, "Introduction to Digital Audio Coding and Standards", 2003); the rise is looked for above that,
so that a sharp attack is cut at the same place whatever it was sent as. Less than 0.01 dB of a hit's first
20 ms lies below. A swell keeps its start as far as it is heard.
"""

from __future__ import annotations

import numpy as np

from analyzers.signal.samples import SampleArray

HIT_S = 0.03  # the hit reaches its level within so much of the first sound
RISE_DB = 26.0  # so far below that level it begins: above the pre-echo of good encoders
BLOCK_S, SOFT_BLOCKS = 0.01, 12  # a soft beginning is looked at in blocks, so many at most
# It takes no step so large, nor falls so far, and rises by so much
STEP_DB, FALL_DB, SOFT_DB = 15.0, 3.5, 10.0
FAINT_DB = 20.0  # no louder over the threshold of silence at first, it may have begun below it
# A fade-in lies as near the threshold before it passes it, and stays as near for so long after
FADE_DB, FADE_LOOK_S = 12.0, 0.05
AT_ONCE_S, CLEAR_DB = 0.004, 30.0  # a hit reaches so far over noise so soon: its foot lies within 1 ms
MARGIN_S = 0.0005  # kept ahead of that; all of what is hardly more


def first_hit_s(
    samples: SampleArray, rate: int, first_sound_s: float | None, *, hidden: bool = True
) -> float | None:
    """Seconds of the source at which the first hit starts; None without a sound.

    Parameters
    ----------
    samples : the source [shape=(frames, channels)]
    first_sound_s : the first sample above the threshold of silence (`analyzers.level.silence`)
    hidden : False where neither a codec's pre-echo nor noise can lie before the hit
    """
    if first_sound_s is None or not hidden:
        return first_sound_s
    start = round(first_sound_s * rate)
    level = np.abs(samples[start : start + round(HIT_S * rate)]).max(axis=1)
    if len(level) == 0:
        return first_sound_s
    foot_s = int(np.argmax(level >= level.max() * 10 ** (-RISE_DB / 20))) / rate
    return first_sound_s if foot_s < 2 * MARGIN_S else first_sound_s + foot_s - MARGIN_S


def clear_of_noise(samples: SampleArray, rate: int, first_sound_s: float, floor_dbfs: float | None) -> bool:
    """Whether what begins over noise is so much louder at once that the noise hides nothing of it.

    floor_dbfs : RMS of the noise
    """
    level = _highest(samples, rate, first_sound_s, AT_ONCE_S)
    return floor_dbfs is not None and 20 * np.log10(max(level, 1e-12)) > floor_dbfs + CLEAR_DB


def begins_faintly(
    samples: SampleArray, rate: int, hit_s: float | None, threshold_dbfs: float | None
) -> bool:
    """Whether the first moment of a sound is hardly over the threshold of silence."""
    if hit_s is None or threshold_dbfs is None:
        return False
    return _highest(samples, rate, hit_s, BLOCK_S) < 10 ** ((threshold_dbfs + FAINT_DB) / 20)


def fades_in(
    samples: SampleArray, rate: int, first_sound_s: float | None, threshold_dbfs: float | None
) -> bool:
    """Whether the first sound is no hit, but where music that was there before passes the threshold."""
    if first_sound_s is None or threshold_dbfs is None or first_sound_s < BLOCK_S:
        return False
    before = _highest(samples, rate, first_sound_s - BLOCK_S, BLOCK_S - AT_ONCE_S)
    after = _highest(samples, rate, first_sound_s, FADE_LOOK_S)
    low, high = (10 ** ((threshold_dbfs + side) / 20) for side in (-FADE_DB, FADE_DB))
    return low < before and after < high


def _highest(samples: SampleArray, rate: int, at_s: float, for_s: float) -> float:
    """Largest magnitude from an instant on, for so long; 0 after the end."""
    start = round(at_s * rate)
    return float(np.abs(samples[start : start + round(for_s * rate)]).max(initial=0.0))


def soft_rise_s(samples: SampleArray, rate: int, hit_s: float | None) -> float:
    """How long the sound does nothing but rise gradually from its first moment on (s); 0 where it is struck.

    So begins what is bowed, blown or faded in: nothing else begins within it.
    """
    if hit_s is None:
        return 0.0
    size, start = max(round(BLOCK_S * rate), 1), round(hit_s * rate)
    heard = samples[start : start + SOFT_BLOCKS * size].astype(np.float64)
    blocks = heard[: len(heard) // size * size].reshape(-1, size * samples.shape[1])
    if len(blocks) < 2:
        return 0.0
    level = 10 * np.log10(np.maximum((blocks**2).mean(axis=1), 1e-12))
    highest = np.maximum.accumulate(level)
    ends = np.flatnonzero((np.diff(level) > STEP_DB) | (level[1:] < highest[:-1] - FALL_DB))
    count = int(ends[0]) + 1 if len(ends) else len(level)
    return count * BLOCK_S if highest[count - 1] - level[0] >= SOFT_DB else 0.0
