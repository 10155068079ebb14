"""What grows into the bar in which the song enters: a riser, a cymbal or a chord turned round. No pickup.

What is struck, plucked or hit dies away or is held; what is turned round does nothing but grow, up to the
moment at which the song enters, and nothing is struck within it (common practice). (Thresholds chosen on
rendered beats.)
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analyzers.rhythm import moments
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
EDGE_S = 0.025  # so far an attack reaches over the moment at which it is
NOISE_CONTRAST = 0.165  # chroma of noise is flat: length of its deviation from the mean
RISE_DB = 1.5  # a swell grows by this from each quarter of it to the next, at least
FALL_DB, STEP_S = 2.5, 0.1  # and falls by no more in any such step: between strokes, or syllables, it does
SOFT, STRUCK = 1.5, 4.5  # a swell begins without an attack so strong, and holds none (`moments.entry`)
CUT_OFF_DB = 12.0  # one that is cut off at its beginning leaps out of silence, but so far below its end
# Of what comes before bar one anyhow, less tells that it is no pickup: it is so long, grows by so much from
# each quarter to the next, and holds no attack so strong
LEAST_S, SLIGHT_DB, HARDLY = 0.2, 0.8, 3.5


def is_swell(onsets: Onsets, start_s: float, long_s: float, *, noise: bool) -> bool:
    """Whether what sounds from `start_s` does nothing but grow, `long_s` seconds, without an attack.

    noise : it has no pitch either; a chord that grows so long is the song's
    """
    end = start_s + long_s
    begins = moments.strongest(onsets.attacks, onsets.rate, start_s - EDGE_S, start_s + EDGE_S)
    first, last = (moments.level(onsets, t, t + STEP_S / 2).mean() for t in (start_s + EDGE_S, end - STEP_S))
    soft = begins < SOFT or (begins < STRUCK and last - first > CUT_OFF_DB)
    grows = soft and _grows(onsets, start_s, end, RISE_DB, STRUCK)
    return grows and not (noise and moments.contrast(onsets, start_s, end - 0.1) >= NOISE_CONTRAST)


def grows_into(onsets: Onsets, start_s: float, line_s: float) -> bool:
    """Whether what sounds before bar one grows into its line, however it begins: a swell, and no pickup."""
    after_s = start_s + 2 * EDGE_S  # what is cut off at its beginning, or turned round, leaps there
    return line_s - start_s > LEAST_S and _grows(onsets, after_s, line_s, SLIGHT_DB, HARDLY)


def _grows(onsets: Onsets, start_s: float, end_s: float, rise_db: float, struck: float) -> bool:
    """Whether a stretch grows by so much from each quarter of it to the next, never falls, and nothing is
    struck in it."""

    def rises(steps: int) -> FloatArray:
        edges = np.linspace(start_s, end_s - EDGE_S, steps + 1)
        out: FloatArray = np.diff([moments.level(onsets, a, b).mean() for a, b in pairwise(edges)])
        return out

    inside = moments.strongest(onsets.attacks, onsets.rate, start_s, end_s - 2 * EDGE_S)
    grows = bool(rises(4).min() > rise_db) and inside < struck
    return grows and bool(rises(max(int((end_s - start_s) / STEP_S), 4)).min() > -FALL_DB)
