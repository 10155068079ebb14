"""Where the key may change: the path of diatonic collections that explains the chords best.

Twelve collections (the seven notes of a major key and its relative minor); a chord counts for those
that hold all its notes. Leaving a collection costs much and is possible only on a bar line, so that
a borrowed chord or a dominant of the dominant is not a change of key. The key network has the last
word on both sides of each boundary (`analyzers.key`).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analyzers.spelling import SCALES
from analyzers.voicing import QUALITIES

OUTSIDE = 0.12  # likelihood of a chord outside the collection, against 1 inside
CHANGE_COST = 12.0  # log odds
INSIDE_GROUP_COST = 2.0  # more, off the starts of four bars
LEAST_BARS = 4

Floats = npt.NDArray[np.float32]


def find_boundaries(chords: Floats, none: Floats, weight: Floats | None) -> list[int]:
    """Steps (on bar lines) where another collection begins; [] without a grid or without a change.

    Parameters
    ----------
    chords, none : probabilities of chords [shape=(n, 12, qualities)] and of none [shape=(n,)]
    weight : place of each step in the meter (`harmonics.metric_weight`); None without a grid
    """
    if weight is None or np.count_nonzero(weight) < 2 * LEAST_BARS:
        return []
    cost = np.where(weight >= 2, CHANGE_COST, np.where(weight >= 1, CHANGE_COST + INSIDE_GROUP_COST, np.inf))
    path = _best_path(_fit(chords, none), cost)
    bounds = [int(i) for i in np.flatnonzero(np.diff(path)) + 1]
    bars = np.cumsum(weight > 0)
    stops = [0, *bounds, len(path) - 1]
    long = [bars[b] - bars[a] >= LEAST_BARS for a, b in pairwise(stops)]
    return [b for b, before, after in zip(bounds, long, long[1:], strict=False) if before and after]


def _fit(chords: Floats, none: Floats) -> npt.NDArray[np.float64]:
    """Log likelihood of each step under each collection, 0 where nothing sounds [shape=(n, 12)]."""
    holds = np.zeros((12, 12, len(QUALITIES)))
    for tonic in range(12):
        scale = {(tonic + s) % 12 for s in SCALES["major"]}
        for root in range(12):
            for q, tones in enumerate(QUALITIES.values()):
                holds[tonic, root, q] = {(root + t) % 12 for t in tones} <= scale
    inside = np.einsum("nrq,trq->nt", chords, holds, optimize=True)
    sounding = 1 - none[:, None]
    return np.asarray(np.log(inside + OUTSIDE * (sounding - inside).clip(0) + none[:, None] + 1e-9))


def _best_path(score: npt.NDArray[np.float64], cost: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    n = len(score)
    best, back = score[0].copy(), np.zeros((n, 12), dtype=np.int64)
    for i in range(1, n):
        top = int(np.argmax(best))
        moved = best[top] - cost[i]
        stays = best >= moved
        back[i] = np.where(stays, np.arange(12), top)
        best = np.where(stays, best, moved) + score[i]
    path = np.zeros(n, dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path
