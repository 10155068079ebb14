"""A song that is cut into beats, folded on its bars.

Rows of numbers, one for each beat, become rows of means, one for each beat of the bar; bars that begin on
another beat are the same means in another order.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]
MOST_BEATS = 4  # in a bar


def folded(curves: FloatArray, beats: int) -> FloatArray:
    """Mean of the curves at each beat of the bar [shape=(curves, beats)]."""
    on = np.arange(curves.shape[1])[:, None] % beats == np.arange(beats)
    out: FloatArray = curves @ on / np.maximum(on.sum(axis=0), 1)
    return out


@cache
def layout(parts: tuple[tuple[int, int], ...], beats: int) -> npt.NDArray[np.int64]:
    """Where the folded rows (raveled, a row of zeros at their end) stand for bars that begin on beat 0, 1, ..

    Parameters
    ----------
    parts : (groups, parts of a beat), in the order of the rows: each group has a row for each part

    Returns
    -------
    Index of each number, a group after the other, in it four beats, in these the parts; beats beyond the bar
    are zeros [shape=(beats, 4 * sum of groups * parts)]
    """
    rows = sum(g * n for g, n in parts)
    place = np.arange(MOST_BEATS)
    beat = (np.arange(beats)[:, None] + place) % beats
    out, start = [], 0
    for groups, n in parts:
        row = start + np.arange(groups * n).reshape(1, groups, 1, n)
        at = row * beats + beat[:, None, :, None]
        out.append(np.where(place[:, None] < beats, at, rows * beats).reshape(beats, -1))
        start += groups * n
    return np.concatenate(out, axis=1)
