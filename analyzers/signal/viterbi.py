"""The best path through states that go on or give way to any other one.

Source: Viterbi's algorithm, as in Rabiner, Proc. IEEE 77 (1989), for transitions of two kinds only.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def best_path(score: FloatArray, stay: FloatArray, leave: FloatArray) -> npt.NDArray[np.int64]:
    """State of each step [shape=(n,)].

    Parameters
    ----------
    score : [shape=(n, states)], log weight of each state in each step
    stay, leave : [shape=(n,)], log weight of going on, and of a change to any other state, ahead of each
        step (the first ones are not used)
    """
    n, states = score.shape
    best, back = score[0].copy(), np.zeros((n, states), dtype=np.int64)
    for i in range(1, n):
        top = int(np.argmax(best))
        moved, stayed = best[top] + leave[i], best + stay[i]
        stays = stayed >= moved
        back[i] = np.where(stays, np.arange(states), top)
        best = np.where(stays, stayed, moved) + score[i]
    path = np.zeros(n, dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path
