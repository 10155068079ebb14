"""Evidence of a new section at each bar line, for the section finder and its training.

Everything compares what lies before a bar line with what follows it: the level of twelve bands (which
instruments play), the chroma of four registers (what they play), over one to eight bars, and whether
the line is a multiple of four or eight bars from bar one, where sections mostly begin.

Source: checkerboard novelty on a self-similarity matrix, Foote, ICME 2000.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from analyzers.harmony.network_inputs import register_chroma

Floats = npt.NDArray[np.float32]

SPANS = (1, 2, 4, 8)  # bars before and after
RANGE_DB = 35.0  # a band this far below its own loudest bar is silent
STEP_DB = 6.0
# Set by hand before the network was trained on this evidence: another value needs new weights
LOWEST_DB = 70.0  # a band's own loudest bar counts as at least this far below the loudest of all
QUIET_BAR = 0.1  # of the loudest bar's chroma: quieter bars are not scaled up to unit length
CHROMA_WEIGHT = 4  # brings chroma distances to about the size of the band distances
REACH = 4.0  # distance at which the likeness of two bars has fallen to 1/e
MOST_TIMES_MEAN, MOST_AHEAD = 6, 4  # evidence is cut off here, in means over the track
NEAR_END_BARS = 16  # start and end of the track count within so many bars


def bar_pictures(bands_db: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """What each bar is like: band levels in steps of 6 dB [shape=(bars, 12)], unit chroma [shape=(bars, 48)].

    Parameters
    ----------
    bands_db : mean level of each band in each bar, dB
    levels : [shape=(bars, NOTES)], mean square roots of note magnitudes
    """
    loudest = np.maximum(bands_db.max(axis=0), bands_db.max() - LOWEST_DB)
    looks = (np.maximum(bands_db, loudest - RANGE_DB) - loudest) / STEP_DB
    chroma = register_chroma(levels).reshape(len(levels), -1)
    size = np.linalg.norm(chroma, axis=1, keepdims=True)
    return looks.astype(np.float32), chroma / np.maximum(size, QUIET_BAR * max(float(size.max()), 1e-9))


def boundary_evidence(looks: Floats, chroma: Floats, bar_one: int) -> Floats:
    """Evidence for a section starting with each bar [shape=(bars, evidence)]; row 0 is never used.

    ``bar_one`` is the index of bar one among the bars.
    """
    n = len(looks)
    columns: list[npt.NDArray[np.floating]] = []
    for span in SPANS:
        jump = _after_minus_before(looks, span)
        turn = np.asarray(np.linalg.norm(_after_minus_before(chroma, span), axis=1), np.float32)
        size = np.asarray(np.linalg.norm(jump, axis=1), np.float32)
        columns += [
            size,
            jump.max(axis=1),
            -jump.min(axis=1),
            turn,
            *_against_others(size),
            *_against_others(turn),
        ]
        if span in (1, 4):
            columns += list(jump.T)
    for picture in (looks, CHROMA_WEIGHT * chroma):
        for span in (4, 8):
            columns.append(checkerboard(picture, span))
    position = np.arange(n) - bar_one
    columns += [(position % 4 == k).astype(np.float32) for k in range(4)]
    columns.append((position % 8 == 0).astype(np.float32))
    columns += [np.minimum(k, NEAR_END_BARS) / NEAR_END_BARS for k in (np.arange(n), n - np.arange(n))]
    columns.append(np.full(n, np.log(n)))
    return np.stack(columns, axis=1).astype(np.float32)


def _after_minus_before(x: Floats, span: int) -> Floats:
    """Mean of ``span`` rows from each row on minus the mean of those before it; row 0 is 0."""
    n = len(x)
    total = np.vstack((np.zeros((1, x.shape[1])), np.cumsum(x, axis=0, dtype=np.float64)))
    at = np.arange(1, n)
    lo, hi = np.maximum(at - span, 0), np.minimum(at + span, n)
    after = (total[hi] - total[at]) / (hi - at)[:, None]
    before = (total[at] - total[lo]) / (at - lo)[:, None]
    return np.vstack((np.zeros((1, x.shape[1])), after - before)).astype(np.float32)


def _against_others(x: Floats) -> tuple[Floats, Floats]:
    """Evidence against its mean over the track, and against the largest within two bars."""
    near = np.pad(x, 2)
    rival = np.max([near[:-4], near[1:-3], near[3:-1], near[4:]], axis=0)
    scale = max(float(x.mean()), 1e-6)
    ahead = np.clip((x - rival) / scale, -MOST_AHEAD, MOST_AHEAD)
    return np.minimum(x / scale, MOST_TIMES_MEAN).astype(np.float32), ahead.astype(np.float32)


def checkerboard(x: Floats, span: int) -> Floats:
    """Foote's checkerboard on the similarity exp(-distance), against its mean."""
    n, before, after = len(x), slice(span), slice(span, None)
    alike = np.zeros((n + 2 * span, 2 * span), np.float32)  # each bar and the one so many later; 0 outside
    for later in range(min(2 * span, n)):
        gap = np.linalg.norm(x[later:] - x[: n - later], axis=1)
        alike[span : span + n - later, later] = np.exp(-gap / REACH)
    at = np.arange(2 * span)
    around = sliding_window_view(alike, 2 * span, axis=0)[:n]
    blocks = around[:, np.abs(np.subtract.outer(at, at)), np.minimum.outer(at, at)]
    count = np.stack([np.minimum(np.arange(n), span), np.minimum(n - np.arange(n), span)]).clip(1)  # of bars
    out: Floats = (
        blocks[:, before, before].sum(axis=(1, 2)) / count[0] ** 2
        + blocks[:, after, after].sum(axis=(1, 2)) / count[1] ** 2
        - 2 * blocks[:, before, after].sum(axis=(1, 2)) / count.prod(axis=0)
    ).astype(np.float32)
    out[0] = 0.0
    return out
