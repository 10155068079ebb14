"""Where the key may change: the path of diatonic collections that explains the chords best.

Twelve collections (the seven notes of a major key and its relative minor); a chord counts for those
that hold all its notes. Leaving a collection costs much and is possible only on a bar line, so that
a borrowed chord or a dominant of the dominant is not a change of key. The key network has the last
word on both sides of each boundary (`analyzers.key`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.chords import bar_lines
from analyzers.model import Grid
from analyzers.spelling import SCALES
from analyzers.voicing import QUALITIES

OUTSIDE = 0.12  # likelihood of a chord outside the collection, against 1 inside
CHANGE_COST = 12.0  # log odds
LEAST_BARS = 4

Floats = npt.NDArray[np.float32]


def find_boundaries(chords: Floats, none: Floats, edges: npt.NDArray[np.float64], grid: Grid) -> list[int]:
    """Steps (on bar lines) where another collection begins; [] without a grid or without a change.

    Parameters
    ----------
    chords, none : probabilities of chords [shape=(n, 12, qualities)] and of none [shape=(n,)]
    edges : [shape=(n + 1,)], seconds
    """
    line = bar_lines(edges, grid)
    if line is None:
        return []
    path = _best_path(_fit(chords, none), line)
    bounds = [int(i) for i in np.flatnonzero(np.diff(path)) + 1]
    least = LEAST_BARS * (grid.beats_per_bar or 4)
    stops = [0, *bounds, len(path)]
    return [b for i, b in enumerate(bounds) if stops[i + 2] - b >= least and b - stops[i] >= least]


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


def _best_path(score: npt.NDArray[np.float64], line: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    n = len(score)
    best, back = score[0].copy(), np.zeros((n, 12), dtype=np.int64)
    for i in range(1, n):
        top = int(np.argmax(best))
        moved = best[top] - CHANGE_COST if line[i] else -np.inf
        stays = best >= moved
        back[i] = np.where(stays, np.arange(12), top)
        best = np.where(stays, best, moved) + score[i]
    path = np.zeros(n, dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path
