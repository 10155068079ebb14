"""Where the music turns: what speaks for a bar line beside the pattern of the bar.

Sections begin and end on bar lines, mostly every four or eight bars; parts enter and leave with them, a crash
marks the first beat, a fill or a break the beat before (common practice). Each of these is a curve over the
beats of one beat rate and phase, large where the music turns so. Folded on a bar, its power says on which
beat that happens: the second power on the whole, the fifth for the few largest turns.
"""

from __future__ import annotations

from functools import reduce

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]

CYCLES = (4, 8)  # bars after which turns come again
MOST_CYCLE = 4.0
SPANS = (4, 8)  # beats that are compared
CURVES = len(SPANS) * 5 + 4  # `_changes`, then fill, break, crash, accent
QUARTERS = 4  # of a beat, in which attacks are compared
GROUPS = ((0, 2), (2, 4), (4, 6))  # bands whose attacks enter and leave: low, middle, high
MOVES = 2 * len(GROUPS)
STRONG, DENSE = 0.5, 0.35  # attacks that enter and leave; that make a fill
REST_BEATS = 4  # without attacks, after which one enters
ROWS = 2 * (CURVES + 1) + 2 * MOVES


def turn_rows(hits: FloatArray, level: FloatArray, chroma: FloatArray) -> FloatArray:
    """Powers of the turns, then what enters and leaves in each half beat, beat by beat [shape=(ROWS, beats)].

    Parameters
    ----------
    hits : attacks, about 1 where loud [shape=(6 bands, beats, slots)]
    level : mean level of each beat in dB [shape=(6 bands, beats)]
    chroma : mean chroma of each beat [shape=(24, beats)]
    """
    bands, beats, slots = hits.shape
    slots_apart = np.moveaxis(hits.reshape(bands, beats, QUARTERS, slots // QUARTERS), 3, 0)
    coarse = reduce(np.maximum, slots_apart)  # of each quarter the strongest
    attacks = coarse.transpose(0, 2, 1).reshape(-1, beats)
    values = np.concatenate([attacks, chroma, level / 10.0])
    total = np.zeros((len(values), beats + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    curves = np.zeros((CURVES + 1, beats))
    for k, span in enumerate(SPANS):
        _changes(total, len(attacks), span, curves[5 * k : 5 * k + 5])
    curves[5 * len(SPANS) : CURVES] = _single_beats(hits, coarse.max(axis=2), level / 10.0)
    curves[:CURVES] /= np.sqrt((curves[:CURVES] ** 2).mean(axis=1, keepdims=True)) + 1e-6
    curves[CURVES] = curves[:CURVES].mean(axis=0)
    square = curves**2
    return np.concatenate([square, square**2 * curves, _entries(hits)])


def shares(rows: FloatArray, bars: FloatArray) -> FloatArray:
    """How the turns are shared by the beats of the bar.

    Parameters
    ----------
    rows : from `turn_rows`; bars : the same, folded on the bar [shape=(ROWS, beats)]

    Returns
    -------
    shares of each power, less the mean one; their cycles; shares of what enters and leaves in each half beat
    of the bar [shape=(ROWS + len(CYCLES), beats)]
    """
    beats = bars.shape[1]
    powers, moves = bars[: -2 * MOVES], bars[-2 * MOVES :].reshape(MOVES, 2 * beats)  # both halves' beats
    powers = powers / (powers.sum(axis=1, keepdims=True) + 1e-6) - 1 / beats
    moves = moves / (moves.sum(axis=1, keepdims=True) + 1e-6)
    return np.concatenate([powers, _cycles(rows[CURVES], beats), moves.reshape(-1, beats)])


def _changes(total: FloatArray, attacks: int, span: int, out: FloatArray) -> None:
    """How the `span` beats from each one on differ from those before: attacks, chroma, level up, level down,
    level of the low bands; 0 near the ends.

    total : running sums of `attacks` rows of attacks, 24 of chroma, 6 of level [shape=(rows, beats + 1)]
    out : [shape=(5, beats)], zeros
    """
    n = total.shape[1] - 1
    if n <= 2 * span:
        return
    gap = (total[:, 2 * span :] - 2 * total[:, span:-span] + total[:, : -2 * span]) / span
    level, inside = gap[attacks + 24 :], slice(span, n - span + 1)
    out[0, inside] = np.sqrt(np.einsum("ij,ij->j", gap[:attacks], gap[:attacks]))
    out[1, inside] = np.abs(gap[attacks : attacks + 24]).sum(axis=0)
    out[2, inside] = np.maximum(level, 0.0).sum(axis=0)
    out[3, inside] = out[2, inside] - level.sum(axis=0)
    out[4, inside] = np.abs(level[:2]).sum(axis=0)


def _single_beats(hits: FloatArray, strongest: FloatArray, level: FloatArray) -> FloatArray:
    """Fill before, break before, crash from, accent on each beat [shape=(4, beats)].

    strongest : of the hits of each beat [shape=(6 bands, beats)]
    """
    n, edge = hits.shape[1], 8
    dense = (hits[1:4].max(axis=0) > DENSE).sum(axis=1)
    rows = np.array([dense, strongest.sum(axis=0), level[4:].sum(axis=0)])
    wide = np.repeat(rows.mean(axis=1, keepdims=True), n + 2 * edge + 1, axis=1)  # outside: usual beats
    wide[:, 0], wide[:, edge + 1 : -edge] = 0.0, rows
    total = np.cumsum(wide, axis=1)

    def mean(row: int, a: int, b: int) -> FloatArray:
        """Of the beats from `a` to before `b`, counted from each."""
        sums: FloatArray = total[row, edge + b : edge + b + n] - total[row, edge + a : edge + a + n]
        return sums / (b - a)

    there = mean(2, 0, 2)
    accent = hits[:, :, 0].sum(axis=0)
    curves = [
        mean(0, -2, 0) - 0.5 * (mean(0, 0, 2) + mean(0, -6, -2)),
        mean(1, -5, -1) - mean(1, -1, 0),
        np.minimum(there - mean(2, -4, 0), there - mean(2, 4, 8)),
        accent - np.median(accent),
    ]
    out: FloatArray = np.maximum(np.array(curves), 0.0)
    return out


def _entries(hits: FloatArray) -> FloatArray:
    """Attacks after a rest of `REST_BEATS` or more and before one, on half beats, for each of `GROUPS`
    [shape=(2 * MOVES, beats)]: rows of first and second halves."""
    _, beats, slots = hits.shape
    rest, half = REST_BEATS * slots, slots // 2
    out = np.zeros((len(GROUPS), 2, 2 * beats))
    for k, (a, b) in enumerate(GROUPS):
        strong = np.flatnonzero(hits[a:b].max(axis=0).ravel() > STRONG)
        edges = np.concatenate(([-rest], strong, [beats * slots + rest]))
        gaps = edges[1:] - edges[:-1] >= rest
        place = np.minimum((strong + half // 2) // half, 2 * beats - 1)  # the nearest half beat
        out[k] = [np.bincount(place[at], minlength=2 * beats) for at in (gaps[:-1], gaps[1:])]
    return out.reshape(MOVES, beats, 2).transpose(0, 2, 1).reshape(2 * MOVES, beats)


def _cycles(curve: FloatArray, beats: int) -> FloatArray:
    """How much stronger the turns are every few bars, counted from the best bar, than on the whole, for each
    beat of the bar [shape=(cycles, beats)]."""
    out = np.zeros((len(CYCLES), beats))
    for k, bars in enumerate(CYCLES):
        if len(curve) >= 2 * bars * beats:
            place = np.arange(len(curve)) % (bars * beats)
            mean = (np.bincount(place, curve) / np.bincount(place)).reshape(bars, beats)
            out[k] = np.minimum(mean.max(axis=0) / (curve.mean() + 1e-6) - 1.0, MOST_CYCLE)
    return out
