"""A pulse that moves: beat by beat where no constant lattice fits.

1. A tempogram (autocorrelation in 8 s windows, combed) and its smoothest strong path give the local period.
2. Dynamic programming places pulses on strong onsets at that period (Ellis, "Beat tracking by dynamic
   programming", JNMR 36(1), 2007).
3. The fine level curves, folded along the pulses, give each stretch's lag; pulses move by it. The windows
   shrink from 8 to 3 s, so that the map follows the music no closer than the evidence goes.

Convention: a map is an array of pulse times in seconds [shape=(n,)], evenly numbered.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from analyzers.rhythm.lattice import autocorrelation, centred_strength, comb_scores
from analyzers.rhythm.lattice_fit import fine_rise, fold_lags
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
WANDER, STEP = 0.07, 0.36  # natural log of the tempo change that is followed: played music, a step
TEMPO_STEP = 0.005
WINDOW_S, HOP_S = 8.0, 1.0
STRAY, EDGE = 0.06, 8  # natural log from the local period of a stray pulse; so many at each end are looked at
TIGHTNESS = 180.0  # weight of an even pulse against strong onsets


def pulse_map(onsets: Onsets, period_s: float, span: float = WANDER) -> FloatArray | None:
    """Pulse times through the whole file, within `span` (log ratio) of `period_s` apart [shape=(n,)], n >= 2.

    None for a wide span when the tempo never leaves the narrow one (`WANDER`).
    """
    times, periods = local_periods(onsets, period_s, span)
    if span > WANDER and np.abs(np.log(periods / period_s)).max() < WANDER:
        return None
    pulses = _place(onsets, times, periods)
    rise = fine_rise(onsets)
    for window in (8.0, 8.0, 5.0, 3.0, 3.0):
        pulses = _settle(rise, onsets.fine_rate, pulses, window)
    return pulses


def local_periods(onsets: Onsets, period_s: float, span: float) -> tuple[FloatArray, FloatArray]:
    """Local period near `period_s`: (window centres s, periods s)."""
    strength = centred_strength(onsets)
    offsets = np.arange(-round(span / TEMPO_STEP), round(span / TEMPO_STEP) + 1) * TEMPO_STEP
    periods = period_s * np.exp(offsets)
    size = min(int(WINDOW_S * onsets.rate), strength.shape[1])
    hop = int(HOP_S * onsets.rate)
    starts = np.arange(0, max(strength.shape[1] - size, 0) + 1, hop)
    longest = min(int(4.2 * periods[-1] * onsets.rate) + 2, size)
    rows = []
    for a in starts:
        acf = autocorrelation(strength[:, a : a + size], longest)
        rows.append(comb_scores(np.pad(acf, (0, 8)), onsets.rate, periods, (0.5, 1.0, 2.0, 4.0)))
    path = _smooth_path(np.array(rows))
    return (starts + size / 2) / onsets.rate, periods[path]


def _smooth_path(score: FloatArray) -> npt.NDArray[np.int64]:
    """Viterbi path through a tempogram: small moves are cheap, a jump costs a fixed amount."""
    n, m = score.shape
    distance = np.abs(np.arange(m)[:, None] - np.arange(m)[None, :])
    cost = np.minimum(0.01 * distance, 0.25) * float(score.max() - np.median(score) + 1e-9)
    total = score[0].copy()
    back = np.zeros((n, m), np.int64)
    for k in range(1, n):
        options = total[:, None] - cost
        back[k] = np.argmax(options, axis=0)
        total = options[back[k], np.arange(m)] + score[k]
    path = np.empty(n, np.int64)
    path[-1] = int(np.argmax(total))
    for k in range(n - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path


def _place(onsets: Onsets, times: FloatArray, periods: FloatArray) -> FloatArray:
    """Pulses on strong onsets at the local period; carried on evenly to both ends of the file."""
    step = 2
    curve = centred_strength(onsets).mean(axis=0)
    n = len(curve) // step
    curve = gaussian_filter1d(curve[: n * step].reshape(n, step).mean(axis=1), 1.2)
    curve = np.maximum(curve, 0.0) / (curve.std() + 1e-9)
    rate = onsets.rate / step
    local = np.interp(np.arange(n) / rate, times, periods) * rate
    total, back = curve.copy(), np.full(n, -1)
    reach = np.arange(max(int(0.6 * local.min()), 1), int(1.5 * local.max()) + 1)
    kinds, kind = np.unique(np.rint(local * 4), return_inverse=True)
    penalty = TIGHTNESS * np.log(reach / (kinds[:, None] / 4)) ** 2
    for begin in range(reach[0] + 1, n, reach[0]):  # what is nearer than the least gap does not depend on it
        here = np.arange(begin, min(begin + reach[0], n))
        before = here[:, None] - reach
        options = np.where(before >= 0, total[before], -np.inf) - penalty[kind[here]]
        best = np.argmax(options, axis=1)
        gain = options[np.arange(len(here)), best]
        follows = gain > 0.0
        total[here[follows]] += gain[follows]
        back[here[follows]] = here[follows] - reach[best[follows]]
    tail = max(n - int(1.2 * local[-1]), 0)
    k = tail + int(np.argmax(total[tail:]))
    pulses = [k]
    while back[k] >= 0:
        k = int(back[k])
        pulses.append(k)
    chain = np.array(pulses[::-1])
    kept = _without_stray_ends(chain, local[chain]) / rate
    return _carry_on(kept, float(local[0]) / rate, float(local[-1]) / rate, n / rate)


def _without_stray_ends(pulses: FloatArray, local: FloatArray) -> FloatArray:
    """Pulses less those at both ends that one strong attack drew away: nothing beyond holds an end pulse.

    `local` : the local period at each pulse; fewer than 3 `EDGE` pulses are left as they are.
    """
    if len(pulses) < 3 * EDGE:
        return pulses
    stray = np.flatnonzero(np.abs(np.log(np.diff(pulses) / local[1:])) > STRAY)
    head, tail = stray[stray < EDGE], stray[stray >= len(pulses) - 1 - EDGE]
    first = int(head[-1]) + 1 if len(head) else 0
    last = int(tail[0]) + 1 if len(tail) else len(pulses)
    return pulses[first:last]


def _carry_on(pulses: FloatArray, first_s: float, last_s: float, end_s: float) -> FloatArray:
    before = pulses[0] - first_s * np.arange(int(pulses[0] / first_s), 0, -1)
    after = pulses[-1] + last_s * np.arange(1, int((end_s - pulses[-1]) / last_s) + 2)
    return np.concatenate([before, pulses, after])


def _settle(rise: FloatArray, rate: float, pulses: FloatArray, window_s: float) -> FloatArray:
    """Pulses moved by the lags of their surroundings, then smoothed over the same window."""
    numbers = np.arange(len(pulses))
    period = float(np.median(np.diff(pulses)))
    lags = fold_lags(rise, rate, lambda t: np.interp(t, pulses, numbers), period, window_s)
    weight = gaussian_filter1d(lags.weight**2, 1.0) + 1e-6
    lag = gaussian_filter1d(lags.weight**2 * lags.lag_s, 1.0) / weight
    moved = pulses + np.interp(pulses, lags.time_s, lag)
    even = gaussian_filter1d(np.diff(moved), max(window_s / period / 4, 0.5), mode="nearest")
    smooth = np.concatenate([[0.0], np.cumsum(even)])
    slow = gaussian_filter1d(moved - smooth, max(window_s / period / 4, 0.5), mode="nearest")
    out: FloatArray = smooth + slow
    return out
