"""A pulse that moves: beat by beat where no constant lattice fits.

1. The smoothest strong path through the tempogram (`lattice`) gives the local period.
2. Dynamic programming places pulses on strong onsets at that period, once loosely and once tightly (Ellis,
   "Beat tracking by dynamic programming", JNMR 36(1), 2007).
3. The fine level curves, folded along the pulses, give each stretch's lag; pulses move by it. The windows
   shrink from 8 to 3 s, so that the map follows the music no closer than the evidence goes.

Convention: a map is an array of pulse times in seconds [shape=(n,)], evenly numbered.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from analyzers.rhythm.lattice import TEMPO_STEP, Tempogram
from analyzers.rhythm.lattice_fit import fold_lags
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
WANDER = 0.07  # natural log of the tempo change that is followed in played music
STRAY, EDGE = 0.06, 8  # natural log from the local period of a stray pulse; so many at each end are looked at
CURVE_STEP = 2  # onset frames
# Weight of an even pulse against strong onsets: hands may follow the first; with the second the few soft
# attacks of an introduction do not lead the pulse away from the tempo
LOOSELY, TIGHTLY = 180.0, 2500.0


def local_periods(tempi: Tempogram) -> tuple[FloatArray, ...]:
    """The period (s) at each window of a tempogram [shape=(windows,)], of a tempo that wanders about its
    centre; then of one that may jump, where it leaves what the first one follows."""
    score, periods = tempi.score, tempi.periods_s
    near = np.abs(tempi.offsets) < WANDER + TEMPO_STEP / 2
    wandering, path = periods[near][_smooth_path(score[:, near])], _smooth_path(score)
    jumps = np.abs(tempi.offsets[path]).max() >= WANDER
    return (wandering, periods[path]) if jumps else (wandering,)


def follow(
    onsets: Onsets,
    attacks: FloatArray,
    rise: FloatArray,
    local: tuple[FloatArray, FloatArray],
    tightness: float,
) -> FloatArray:
    """Pulse times through the whole file [shape=(n,)], n >= 2.

    Parameters
    ----------
    attacks, rise : `attack_curve` and `fine_rise` of the onsets
    local : window centres of the tempogram (s) and the periods there (s), of `local_periods`
    tightness : weight of an even pulse against strong onsets, `LOOSELY` or `TIGHTLY`
    """
    pulses = _place(attacks, onsets.rate / CURVE_STEP, *local, tightness)
    for window in (8.0, 8.0, 5.0, 3.0, 3.0):
        pulses = _settle(rise, onsets.fine_rate, pulses, window)
    return pulses


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


def attack_curve(strength: FloatArray) -> FloatArray:
    """The attacks of all bands, 0 where there is none, in steps of `CURVE_STEP` frames [shape=(n,)].

    strength : `Onsets.centred`
    """
    curve = strength.mean(axis=0)
    n = len(curve) // CURVE_STEP
    curve = gaussian_filter1d(curve[: n * CURVE_STEP].reshape(n, CURVE_STEP).mean(axis=1), 1.2)
    out: FloatArray = np.maximum(curve, 0.0) / (curve.std() + 1e-9)
    return out


def _place(
    curve: FloatArray, rate: float, times: FloatArray, periods: FloatArray, tightness: float
) -> FloatArray:
    """Pulses on strong attacks at the local period; carried on evenly to both ends of the file."""
    n = len(curve)
    local = np.interp(np.arange(n) / rate, times, periods) * rate
    total, back = curve.copy(), np.full(n, -1)
    reach = np.arange(max(int(0.6 * local.min()), 1), int(1.5 * local.max()) + 1)
    kinds, kind = np.unique(np.rint(local * 4), return_inverse=True)
    penalty = tightness * np.log(reach / (kinds[:, None] / 4)) ** 2
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
