"""Signs of a new section at each bar line, for the section finder and its training.

Everything compares what lies before a bar line with what follows it: the level of twelve bands (which
instruments play), the chroma of four registers (what they play), over one to eight bars, and whether
the line is a multiple of four or eight bars from bar one, where sections mostly begin.

Source: checkerboard novelty on a self-similarity matrix, Foote, ICME 2000.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.harmony.network_inputs import register_chroma

Floats = npt.NDArray[np.float32]

SPANS = (1, 2, 4, 8)  # bars before and after
RANGE_DB = 35.0  # a band this far below its own loudest bar is silent
STEP_DB = 6.0


def bar_pictures(bands_db: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """What each bar is like: band levels in steps of 6 dB [shape=(bars, 12)], unit chroma [shape=(bars, 48)].

    Parameters
    ----------
    bands_db : mean level of each band in each bar, dB
    levels : [shape=(bars, NOTES)], mean square roots of note magnitudes
    """
    loudest = np.maximum(bands_db.max(axis=0), bands_db.max() - 70)
    looks = (np.maximum(bands_db, loudest - RANGE_DB) - loudest) / STEP_DB
    chroma = register_chroma(levels).reshape(len(levels), -1)
    size = np.linalg.norm(chroma, axis=1, keepdims=True)
    return looks.astype(np.float32), chroma / np.maximum(size, 0.1 * max(float(size.max()), 1e-9))


def boundary_signs(looks: Floats, chroma: Floats, bar_one: int) -> Floats:
    """Signs for a section starting with each bar [shape=(bars, signs)]; row 0 is never used.

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
    for picture in (looks, 4 * chroma):
        for span in (4, 8):
            columns.append(_novelty(picture, span))
    position = np.arange(n) - bar_one
    columns += [(position % 4 == k).astype(np.float32) for k in range(4)]
    columns += [(position % 8 == 0).astype(np.float32), np.minimum(np.arange(n), 16) / 16]
    columns += [np.minimum(n - np.arange(n), 16) / 16, np.full(n, np.log(n))]
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
    """A sign against its mean over the track, and against the largest within two bars."""
    near = np.pad(x, 2)
    rival = np.max([near[:-4], near[1:-3], near[3:-1], near[4:]], axis=0)
    scale = max(float(x.mean()), 1e-6)
    return np.minimum(x / scale, 6).astype(np.float32), np.clip((x - rival) / scale, -4, 4).astype(np.float32)


def _novelty(x: Floats, span: int) -> Floats:
    """Foote's checkerboard on the similarity exp(-distance), against its mean."""
    n = len(x)
    out = np.zeros(n, np.float32)
    for i in range(1, n):
        block = x[max(i - span, 0) : i + span]
        cut = i - max(i - span, 0)
        gap = np.linalg.norm(block[:, None] - block[None], axis=2)
        alike = np.exp(-gap / 4)
        out[i] = alike[:cut, :cut].mean() + alike[cut:, cut:].mean() - 2 * alike[:cut, cut:].mean()
    return out
