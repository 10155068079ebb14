"""Noise beds: telling hiss, crackle and mains hum from quiet music, and music from the bed under it.

Conventions: mono float32, times in samples. A bed is steady noise without notes; its lines, if
any, belong to the mains (50 or 60 Hz and their multiples).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

Float32Array = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

RISE = 2.8  # music stays this much above the bed (9 dB) ...
SWELL = 1.4  # ... and may have grown to that from just above it (3 dB)
# band in Hz, what stands for a frame's magnitude (a median passes over clicks, but is too rough for
# less than a period), and how many frames of how many must stay above: clicks follow each other
BANDS = (
    (20.0, 200.0, np.mean, 10, 12),
    (200.0, 3000.0, np.median, 5, 6),
    (3000.0, 16000.0, np.median, 5, 6),
)
MAINS_HZ = (50.0, 60.0)
MAINS_MULTIPLES = 40
LINE = 10.0  # a line stands this much (power) above its surroundings
SURROUNDINGS_BINS = 31
LONGEST_FFT = 16384
FEWEST = 4096  # samples that tell notes from noise


def tonal_share(x: Float32Array, rate: int) -> float:
    """Share of the power above 40 Hz that lies in lines which are no mains hum, 0..1.

    0 for silence and for fewer than `FEWEST` samples, too few to tell.
    """
    if len(x) < FEWEST:
        return 0.0
    from scipy.signal import welch  # heavy, and most beats begin with digital silence

    frequency, power = welch(x, rate, nperseg=min(LONGEST_FFT, len(x)), detrend="constant")
    heard = frequency > 40.0
    total = float(power[heard].sum())
    if total == 0.0:
        return 0.0
    at = _lines(power)
    at = at[frequency[at] > 40.0]
    hz = _refined(power, at) * frequency[1]
    notes = at[~_is_mains(hz)]
    return float(sum(power[k - 2 : k + 3].sum() for k in notes)) / total


def _lines(power: Float64Array) -> npt.NDArray[np.intp]:
    """Bins of the spectral lines: local maxima well above their surroundings."""
    floor = median_filter(power, SURROUNDINGS_BINS, mode="nearest")
    top = (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]) & (power[1:-1] > LINE * floor[1:-1])
    return np.flatnonzero(top) + 1


def _refined(power: Float64Array, at: npt.NDArray[np.intp]) -> Float64Array:
    """Line positions in fractions of a bin (parabola through the logarithms)."""
    left, mid, right = (np.log(power[at + shift] + 1e-300) for shift in (-1, 0, 1))
    bend = left - 2 * mid + right
    shift: Float64Array = at + 0.5 * (left - right) / np.where(bend == 0, -1.0, bend)
    return shift


def _is_mains(hz: Float64Array) -> npt.NDArray[np.bool_]:
    """Which frequencies are multiples of 50 or 60 Hz, within 0.6 Hz and a part in 500."""
    hum = np.zeros(len(hz), dtype=bool)
    for mains in MAINS_HZ:
        multiple = np.rint(hz / mains)
        hum |= (
            (np.abs(hz - multiple * mains) <= 0.6 + 0.002 * hz)
            & (multiple >= 1)
            & (multiple <= MAINS_MULTIPLES)
        )
    return hum


def rise_frames(pieces: Iterable[Float32Array], rate: int, size: int, learn: int) -> tuple[int, int] | None:
    """Frames where a band rises out of the bed: (where it begins, where it is sure); None if it never does.

    A swell begins where the level last was the bed's own.

    Parameters
    ----------
    pieces : the signal from the bed's start on, all but the last one whole frames
    rate, size : Hz; samples in a frame
    learn : frames at the start that tell the bed's level in each band
    """
    from scipy.signal import butter, sosfilt  # see above

    used = [band for band in BANDS if band[0] < 0.45 * rate]
    edges = [(low, min(high, 0.45 * rate)) for low, high, *_ in used]
    filters = [butter(2, pair, "bandpass", fs=rate, output="sos") for pair in edges]
    states = [np.zeros((len(sections), 2)) for sections in filters]
    levels: list[list[Float64Array]] = [[] for _ in used]
    for piece in pieces:
        for k, (_, _, typical, _, _) in enumerate(used):
            band, states[k] = sosfilt(filters[k], piece, zi=states[k])
            frames = np.abs(band[: len(band) // size * size]).reshape(-1, size)
            levels[k].append(typical(frames, axis=1))
    found = []
    for (_, _, _, need, of), parts in zip(used, levels, strict=True):
        level = np.concatenate(parts)
        level /= max(float(np.median(level[:learn])), 1e-12)
        above = level > RISE
        runs = np.convolve(above, np.ones(of), "valid") >= need
        starts = np.flatnonzero(runs & above[: len(runs)])
        if len(starts):
            calm = np.flatnonzero(level[: starts[0]] <= SWELL)
            found.append((int(calm[-1]) + 1 if len(calm) else 0, int(starts[0])))
    return min(found, default=None)
