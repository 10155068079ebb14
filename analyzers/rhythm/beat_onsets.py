"""Where in time the beats' attacks begin, to a fraction of a millisecond.

Around each nominal beat the steepest rise of the 0.7 ms level curves is found and followed back to where it
leaves the level before it; the densest point of all these instants is the beat's true place. Late snares and
soft notes are outvoted, because hats, kicks and keys of one beat begin together on the grid.

Source: the transient-onset back-tracking of Bello et al. (IEEE TSAP 13(5), 2005), the mode by a kernel
density (Parzen 1962).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
REACH_S = 0.024
STEP = 4  # blocks over which a rise is taken
FOOT = 0.5  # share of the rise that counts as its beginning: codecs smear energy ahead of it
KERNELS_S = (0.001, 0.004)  # sequenced attacks, played ones
SHARP = 0.40  # share of attacks within 3 ms above which the fine kernel is trusted
PRIOR_S = 0.012  # how far the coarse phase is usually off
WEAKEST_DB = 5.0


def onset_offset(onsets: Onsets, beats_s: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Offset (s) to add to nominal beat times so that they fall on the attacks, and its sharpness.

    Parameters
    ----------
    beats_s : nominal beat times [shape=(n,)]
    weight : how much each beat counts [shape=(n,)]

    Returns
    -------
    offset in +-`REACH_S` ; share of the attacks' weight within 3 ms of it, in [0, 1] (0, 0 without attacks)
    """
    t, w = _onsets(onsets, beats_s, weight)
    if w.sum() <= 0.0:
        return 0.0, 0.0
    for kernel in KERNELS_S:
        offset = _densest(t.ravel(), w.ravel(), kernel)
        sharpness = float(w[np.abs(t - offset) < 0.003].sum() / w.sum())
        if sharpness > SHARP:
            break
    return offset, sharpness


def loose_offset(
    onsets: Onsets, places_s: FloatArray, weight: FloatArray, on_beat: npt.NDArray[np.bool_]
) -> float:
    """`onset_offset` where the attacks are spread too widely for one of them to be trusted.

    What sounds on the beats and what sounds between them, loud or high, then have one voice each: a late
    snare or a slow bass that is alone in one of the four does not outvote the rest.
    """
    t, w = _onsets(onsets, places_s, weight)
    for places in (on_beat, ~on_beat):
        w[:, places] /= np.maximum(w[:, places].sum(axis=1, keepdims=True), 1e-9)
    return _densest(t.ravel(), w.ravel(), KERNELS_S[-1])


def _onsets(onsets: Onsets, beats_s: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Attack nearest each beat in the two level curves: (s from the beat, weight) [shape=(2, n)]."""
    found = [_feet(curve, onsets.fine_rate, beats_s) for curve in (onsets.fine_full, onsets.fine_high)]
    heights = np.clip(np.stack([height for _, height in found]) - WEAKEST_DB, 0.0, 20.0)
    return np.stack([t for t, _ in found]), heights * weight


def _densest(t: FloatArray, w: FloatArray, kernel: float) -> float:
    grid = np.arange(-REACH_S, REACH_S, 0.0001 if kernel < 0.002 else 0.0004)
    density = np.exp(-0.5 * ((grid[:, None] - t[None, :]) / kernel) ** 2) @ w
    return float(grid[np.argmax(density * np.exp(-0.5 * (grid / PRIOR_S) ** 2))])


def _feet(curve: FloatArray, rate: float, beats_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Beginning of the steepest rise near each beat (s from the beat), and its height (dB)."""
    reach = int(REACH_S * rate)
    centre = np.round(beats_s * rate).astype(int)
    index = centre[:, None] + np.arange(-reach - STEP, reach + STEP + 1)[None, :]
    before_start = index < 0
    level = curve[np.clip(index, 0, len(curve) - 1)].astype(float)
    level[before_start] = 0.0  # the signal is silent before its first sample
    level[index >= len(curve)] = 0.0
    rise = level[:, STEP:] - level[:, :-STEP]
    rows = np.arange(len(level))
    peak = np.argmax(rise, axis=1)
    height = rise[rows, peak]
    climb = level[rows[:, None], peak[:, None] + np.arange(STEP + 1)] - level[rows, peak][:, None]
    target = FOOT * height[:, None]
    k = np.maximum(np.argmax(climb >= np.maximum(target, 1e-6), axis=1), 1)
    low, high = climb[rows, k - 1], climb[rows, k]
    part = np.clip((target[:, 0] - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    block = peak + k - 1 + part - STEP - reach + centre
    return (block + 0.5) / rate - beats_s, height  # a block's level is that at its middle
