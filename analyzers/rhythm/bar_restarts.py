"""Where the bars start anew though the pulse goes on: a bar of two beats, a rest, a cut on a sixteenth.

What begins in each frequency band, and where the harmony changes, is folded on the bar on either side of a
place. Where the two are alike only when one is turned, the bars may start anew there; a section that plays
another pattern can look the same, so that what is found is only asked about: `two_counts` lets each side say
where its bars begin.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

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
    blocks = int(onsets.strength.shape[1] / onsets.rate / BLOCK_S) + 1
    edge = int(np.ceil(max(EDGE * blocks, LEAST_S / BLOCK_S)))
    if blocks <= 2 * edge:
        return None
    folds = [*_folds(bands(onsets), onsets.rate, bar_s, blocks)]
    folds += [*_folds(_changes(onsets)[None], onsets.chroma_rate, bar_s, blocks)]
    sums = gaussian_filter1d(np.cumsum(folds, axis=1), SMOOTH, axis=2, mode="wrap")
    sums -= sums.mean(axis=2, keepdims=True)
    before = sums[:, edge - 1 : blocks - edge - 1]
    alike = _alike(before, sums[:, -1:] - before)
    turn = np.argmax(alike, axis=1)
    best = alike[np.arange(len(turn)), turn]
    gain = np.where(best > ALIKE, best - alike[:, 0], 0.0)
    k = int(np.argmax(gain))
    return ((edge + k) * BLOCK_S, int(turn[k]) / BINS * bar_s) if gain[k] > UNLIKE else None


def _alike(before: FloatArray, after: FloatArray) -> FloatArray:
    """Correlation at each place of what is before it with what is after it [both of shape=(curves, places,
    BINS)], turned back by each number of bins [shape=(places, BINS)]."""
    spectrum = (np.fft.rfft(after) * np.fft.rfft(before).conj()).sum(axis=0)
    first, second = (np.sqrt((part**2).sum(axis=(0, 2))) + 1e-9 for part in (before, after))
    out: FloatArray = np.fft.irfft(spectrum, BINS) / (first * second)[:, None]
    return out


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


def _folds(curves: FloatArray, rate: float, bar_s: float, blocks: int) -> FloatArray:
    """Curves folded on the bar, block by block, summed over time [shape=(curves, blocks, BINS)]."""
    t = np.arange(curves.shape[1]) / rate
    block, place = (t / BLOCK_S).astype(np.int64), (t / bar_s % 1.0 * BINS).astype(np.int64) % BINS
    index = np.minimum(block, blocks - 1) * BINS + place
    return np.stack([np.bincount(index, x, blocks * BINS).reshape(blocks, BINS) for x in curves]) / rate
