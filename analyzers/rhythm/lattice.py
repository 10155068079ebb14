"""The pulse under the music: one steady lattice of time, whatever its metrical level.

A lattice is a period (s) and a phase. Which of its multiples is the beat is not decided here
(`analyzers.rhythm.meter` does), so that the precision of the period never depends on that choice.

Method: autocorrelation of the onset strength, combed over 1/2, 1, 2, 4 and 8 periods (Percival and
Tzanetakis, "Streamlined tempo estimation", IEEE/ACM TASLP 22(12), 2014), then the period that maximises
the coherent Fourier sum of the whole song's onset strength at the lattice's harmonics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft as sfft

SHORTEST_S, LONGEST_S = 0.375, 0.80  # a little over one octave: every pulse has a multiple in it
COMB = (0.5, 1.0, 2.0, 4.0, 8.0)
AT_ONCE = 8  # windows whose spectra are held
# Natural log of the furthest tempo of a tempogram from its centre, and of a step; its windows
FURTHEST, TEMPO_STEP = 0.36, 0.005
WINDOW_S, HOP_S = 8.0, 1.0
RELATED = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75, 3.0, 1 / 3)

FloatArray = npt.NDArray[np.floating]


def autocorrelation(strength: FloatArray, longest: int) -> FloatArray:
    """Mean over bands of the autocorrelation, 1 at lag 0 [shape=(longest,)]."""
    out: FloatArray = autocorrelations(strength[:, None], longest)[0]
    return out


def windows_of(strength: FloatArray, size: int, hop: int) -> FloatArray:
    """Windows of `size` frames, one each `hop` frames [shape=(bands, windows, size)]; read only."""
    return sliding_window_view(strength, size, axis=1)[:, ::hop]


def autocorrelations(windows: FloatArray, longest: int) -> FloatArray:
    """`autocorrelation` of each window [shape=(bands, windows, size)]: [shape=(windows, longest)]."""
    n = sfft.next_fast_len(windows.shape[2] + longest, real=True)
    out = np.empty((windows.shape[1], longest))
    for first in range(0, len(out), AT_ONCE):
        some = slice(first, first + AT_ONCE)
        spectra = sfft.rfft(windows[:, some], n, axis=2)
        power = (spectra.real**2 + spectra.imag**2).mean(axis=0)
        acf = sfft.irfft(power, n, axis=1)[:, :longest]
        out[some] = acf / np.maximum(acf[:, :1], 1e-12)
    return out


def comb_scores(
    acf: FloatArray, rate: float, periods_s: FloatArray, comb: tuple[float, ...] = COMB
) -> FloatArray:
    """Mean autocorrelation over the comb at each period, between its lags by lines.

    acf : one or several [shape=(..., lags)]; 0 from its end on
    periods_s : [shape=(periods,)]

    Returns [shape=(..., periods)]
    """
    around = np.pad(acf, [(0, 0)] * (acf.ndim - 1) + [(1, 4)])
    smooth = 0.25 * around[..., :-2] + 0.5 * around[..., 1:-1] + 0.25 * around[..., 2:]
    out = np.zeros((*acf.shape[:-1], len(periods_s)))
    for m in comb:
        at = np.minimum(periods_s * m * rate, acf.shape[-1] + 1)
        lag = at.astype(np.int64)
        out += smooth[..., lag] + (at - lag) * (smooth[..., lag + 1] - smooth[..., lag])
    return out / len(comb)


def coarse_periods(strength: FloatArray, rate: float, count: int = 2) -> list[tuple[float, float]]:
    """The strongest lattices that are no simple multiples of each other: [(period s, score)], best first.

    strength : `Onsets.centred`; rate : of its frames (Hz)

    The score is a mean correlation, 1 for a strictly periodic curve, about 0 for none. Empty when the
    signal is shorter than two of the longest periods.
    """
    longest = min(int(8.2 * LONGEST_S * rate) + 2, strength.shape[1])
    if longest < 2 * LONGEST_S * rate:
        return []
    acf = autocorrelation(strength, longest)
    periods = np.geomspace(SHORTEST_S, LONGEST_S, 1200)
    score = comb_scores(acf, rate, periods)
    found: list[tuple[float, float]] = []
    for k in np.argsort(score)[::-1]:
        p = float(periods[k])
        if all(abs(p / q / r - 1.0) > 0.04 for q, _ in found for r in RELATED):
            found.append((p, float(score[k])))
            if len(found) == count:
                break
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Tempogram:
    """How well each period explains each stretch of the song.

    times_s : centres of the windows [shape=(windows,)]; offsets : natural log of each period's ratio to the
    middle one [shape=(periods,)], periods_s : in s; score : comb scores [shape=(windows, periods)]
    """

    times_s: FloatArray
    offsets: FloatArray
    periods_s: FloatArray
    score: FloatArray


def tempogram(strength: FloatArray, rate: float, period_s: float) -> Tempogram:
    """Periods around `period_s` in windows of `WINDOW_S`: autocorrelation, combed.

    strength : `Onsets.centred`; rate : of its frames (Hz)
    """
    steps = round(FURTHEST / TEMPO_STEP)
    offsets = np.arange(-steps, steps + 1) * TEMPO_STEP
    periods = period_s * np.exp(offsets)
    size, hop = min(int(WINDOW_S * rate), strength.shape[1]), int(HOP_S * rate)
    longest = min(int(4.2 * periods[-1] * rate) + 2, size)
    acf = autocorrelations(windows_of(strength, size, hop), longest)
    times = (np.arange(len(acf)) * hop + size / 2) / rate
    return Tempogram(times, offsets, periods, comb_scores(acf, rate, periods, (0.5, 1.0, 2.0, 4.0)))
