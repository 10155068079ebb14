"""Where the bars start anew though the pulse goes on: a bar of two beats, a rest, a cut on a sixteenth.

The attacks of either side of a place are folded on the bar. Where the two patterns are alike only when one is
turned, the bars may start anew there; drums that play another pattern look the same, so that what is found is
only asked about: `two_counts` lets each side say where its bars begin.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.pulse_patterns import BINS, alike, bins_of, smoothed

FloatArray = npt.NDArray[np.floating]
BLOCK_S = 2.0  # between two places that are tried
EDGE = 0.2  # share of the song on either side that is needed
UNLIKE, ALIKE = 0.25, 0.6  # so much more alike when turned; and so much at least (correlation)


def find_bar_restart(rise: FloatArray, rate: float, bar_s: float) -> tuple[float, float] | None:
    """(place, how late the bars are after it) in s, to a block and to 1/256 of a bar; None without one.

    rise : rises of level at `rate` (Hz) [shape=(n,)]
    """
    t = np.arange(len(rise)) / rate
    block = (t / BLOCK_S).astype(np.int64)
    count = int(block[-1]) + 1
    folds = np.bincount(block * BINS + bins_of(t / bar_s), rise, count * BINS).reshape(count, BINS)
    sums = folds.cumsum(axis=0)
    places = np.arange(int(np.ceil(EDGE * count)), int((1.0 - EDGE) * count))
    best, found = UNLIKE, None
    for k in places:
        likeness = alike(smoothed(sums[k - 1]), smoothed(sums[-1] - sums[k - 1]))
        turn = int(np.argmax(likeness))
        if likeness[turn] > ALIKE and likeness[turn] - likeness[0] > best:
            best, found = float(likeness[turn] - likeness[0]), (k * BLOCK_S, turn / BINS * bar_s)
    return found
