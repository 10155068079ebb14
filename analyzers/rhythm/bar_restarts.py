"""Where the bars start anew though the pulse goes on: a bar of two beats, a rest, a cut on a sixteenth.

What begins in each frequency band, and where the harmony changes, is folded on the bar on either side of a
place. Where the two are alike only when one is turned, the bars may start anew there; a section that plays
another pattern can look the same, so that what is found is only asked about: `two_counts` lets each side say
where its bars begin.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.pulse_patterns import as_pattern, turns
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
BINS, SMOOTH = 96, 1.2  # of a folded bar
BLOCK_S = 2.0  # between two places that are tried
EDGE, LEAST_S = 0.2, 12.0  # share of the song on either side that is needed, and its length
UNLIKE, ALIKE = 0.2, 0.62  # so much more alike when turned; and so much at least (correlation)
CHORD_S = 0.35  # of harmony that is compared on either side of an instant
FAINT = 0.02  # share of the strongest band's strength below which a band is left out


def find_bar_restart(onsets: Onsets, bar_s: float) -> tuple[float, float] | None:
    """(place, how late the bars are after it) in s, to a block and to 1/96 of a bar; None without one."""
    curves = [(strength, onsets.rate) for strength in bands(onsets)]
    curves.append((_changes(onsets), onsets.chroma_rate))
    blocks = int(onsets.strength.shape[1] / onsets.rate / BLOCK_S) + 1
    sums = np.stack([_folds(curve, rate, bar_s, blocks) for curve, rate in curves]).cumsum(axis=1)
    best, found = UNLIKE, None
    edge = int(np.ceil(max(EDGE * blocks, LEAST_S / BLOCK_S)))
    for k in range(edge, blocks - edge):
        before, after = sums[:, k - 1], sums[:, -1] - sums[:, k - 1]
        alike = turns(as_pattern(before, SMOOTH), as_pattern(after, SMOOTH)).sum(axis=0)
        turn = int(np.argmax(alike))
        if alike[turn] > ALIKE and alike[turn] - alike[0] > best:
            best, found = float(alike[turn] - alike[0]), (k * BLOCK_S, turn / BINS * bar_s)
    return found


def bands(onsets: Onsets) -> FloatArray:
    """Onset strength of unit power [shape=(bands, frames)]."""
    power = np.sqrt((onsets.strength.astype(np.float64) ** 2).mean(axis=1))
    heard = power > FAINT * max(float(power.max()), 1e-9)
    bands: FloatArray = onsets.strength[heard] / power[heard, None]
    return bands


def _changes(onsets: Onsets) -> FloatArray:
    """How much the harmony changes at each instant, of unit power [shape=(chroma frames,)]."""
    width = max(int(CHORD_S * onsets.chroma_rate), 1)
    out = np.zeros(onsets.chroma.shape[1])
    if len(out) <= 2 * width:
        return out
    total = np.cumsum(np.pad(onsets.chroma.astype(np.float64), ((0, 0), (1, 0))), axis=1)
    mean = (total[:, width:] - total[:, :-width]) / width
    change = np.linalg.norm(mean[:, width:] - mean[:, :-width], axis=0)
    change = np.maximum(change - np.median(change), 0.0)
    out[width : width + len(change)] = change / (np.sqrt((change**2).mean()) + 1e-9)
    return out


def _folds(curve: FloatArray, rate: float, bar_s: float, blocks: int) -> FloatArray:
    """A curve folded on the bar, block by block, summed over time [shape=(blocks, BINS)]."""
    t = np.arange(len(curve)) / rate
    block, place = (t / BLOCK_S).astype(np.int64), (t / bar_s % 1.0 * BINS).astype(np.int64) % BINS
    index = np.minimum(block, blocks - 1) * BINS + place
    return np.bincount(index, curve, blocks * BINS).reshape(blocks, BINS) / rate
