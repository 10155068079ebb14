"""The pulse under the music: one steady lattice of time, whatever its metrical level.

A lattice is a period (s) and a phase. Which of its multiples is the beat is not decided here
(`analyzers.rhythm.meter` does), so that the precision of the period never depends on that choice.

Method: autocorrelation of the onset strength, combed over 1/2, 1, 2, 4 and 8 periods (Percival and
Tzanetakis, "Streamlined tempo estimation", IEEE/ACM TASLP 22(12), 2014), then the period that maximises
the coherent Fourier sum of the whole song's onset strength at the lattice's harmonics.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft as sfft

from analyzers.signal.onsets import Onsets

SHORTEST_S, LONGEST_S = 0.375, 0.80  # a little over one octave: every pulse has a multiple in it
COMB = (0.5, 1.0, 2.0, 4.0, 8.0)
RELATED = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75, 3.0, 1 / 3)

FloatArray = npt.NDArray[np.floating]


def centred_strength(onsets: Onsets) -> FloatArray:
    """Onset strength of each band less its mean over 0.5 s, unit power [shape=(bands, frames)]."""
    width = int(0.5 * onsets.rate) | 1
    x = onsets.strength
    total = np.cumsum(np.pad(x, ((0, 0), (width // 2 + 1, width // 2))), axis=1, dtype=np.float64)
    y = total[:, width:] - total[:, :-width]
    del total
    y /= width
    np.subtract(x, y, out=y)
    scale = np.sqrt((y**2).mean(axis=1, keepdims=True))
    loudest = float(scale.max())
    out: FloatArray = np.where(scale > 0.02 * loudest, y / np.maximum(scale, 1e-9), 0.0)
    return out


def autocorrelation(strength: FloatArray, longest: int) -> FloatArray:
    """Mean over bands of the autocorrelation, 1 at lag 0 [shape=(longest,)]."""
    n = sfft.next_fast_len(strength.shape[1] + longest, real=True)
    power = np.abs(sfft.rfft(strength, n, axis=1)) ** 2
    acf = sfft.irfft(power.mean(axis=0), n)[:longest]
    out: FloatArray = acf / max(float(acf[0]), 1e-12)
    return out


def comb_scores(
    acf: FloatArray, rate: float, periods_s: FloatArray, comb: tuple[float, ...] = COMB
) -> FloatArray:
    """Mean autocorrelation over the comb at each period [shape of periods_s]."""
    lags = np.arange(len(acf))
    smooth = np.convolve(acf, [0.25, 0.5, 0.25], mode="same")
    out = np.zeros(len(periods_s))
    for m in comb:
        out += np.interp(periods_s * m * rate, lags, smooth)
    return out / len(comb)


def coarse_periods(onsets: Onsets, count: int = 2) -> list[tuple[float, float]]:
    """The strongest lattices that are no simple multiples of each other: [(period s, score)], best first.

    The score is a mean correlation, 1 for a strictly periodic curve, about 0 for none. Empty when the
    signal is shorter than two of the longest periods.
    """
    longest = min(int(8.2 * LONGEST_S * onsets.rate) + 2, onsets.strength.shape[1])
    if longest < 2 * LONGEST_S * onsets.rate:
        return []
    acf = autocorrelation(centred_strength(onsets), longest)
    periods = np.geomspace(SHORTEST_S, LONGEST_S, 1200)
    score = comb_scores(np.pad(acf, (0, 8)), onsets.rate, periods)
    found: list[tuple[float, float]] = []
    for k in np.argsort(score)[::-1]:
        p = float(periods[k])
        if all(abs(p / q / r - 1.0) > 0.04 for q, _ in found for r in RELATED):
            found.append((p, float(score[k])))
            if len(found) == count:
                break
    return found
