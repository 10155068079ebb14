"""Pulses of music played by hand, without drums or without a click: followed from one attack to the next.

For music whose attacks are too loose for `drift`, which needs them within a few milliseconds. The tempo is
looked for in short windows, where it hardly moves; a dynamic programme over instant and period then finds the
chain of pulses that falls on strong attacks and changes its period least.

Sources: Ellis, "Beat tracking by dynamic programming" (JNMR 36(1), 2007), with the period as a second state
as in the bar-pointer model (Whiteley, Cemgil and Godsill, ISMIR 2006); the preference for about 120 BPM:
Moelants, "Preferred tempo reconsidered" (ICMPC 2002).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from analyzers.rhythm.lattice import autocorrelations, comb_scores, windows_of
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
SHORTEST_S, LONGEST_S = 0.30, 1.0
PREFERRED_S, OCTAVES = 0.5, 1.0  # centre and spread (octaves) of the tempi that people count
WINDOW_S, HOP_S = 6.0, 1.5
SPAN = 0.24  # natural log of the tempo change that is followed
COMB = (1.0, 2.0, 3.0, 4.0)
TURN, AWAY = 60.0, 4.0  # price of a change of period between pulses, of a period away from the song's
FEW = 50  # fewer pulses do not tell an even tempo from a wandering one
STEP = 2  # frames of the onset curves in one of this module's
CHORDS = 0.5  # share of harmonic change in the strength of attacks


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """Pulses followed from attack to attack.

    times_s : pulse times through the whole file [shape=(n,)], n >= 8
    support : mean strength of attacks at the pulses, in standard deviations of all instants
    contrast : `support` less the strength half-way between pulses
    turning : mean change of the period from one pulse to the next (natural log)
    """

    times_s: FloatArray
    support: float
    contrast: float
    turning: float

    @property
    def uneven_s(self) -> float:
        """Standard deviation of the pulses from evenly spaced ones."""
        n = np.arange(len(self.times_s))
        return float(np.std(self.times_s - np.polyval(np.polyfit(n, self.times_s, 1), n)))


def track(onsets: Onsets) -> Played | None:
    """The pulses of the whole file; None when it is too short to hold eight."""
    curve = onset_curve(onsets)
    rate = onsets.rate / STEP
    if len(curve) < 8 * LONGEST_S * rate:
        return None
    period = usual_period(curve, rate)
    frames = np.arange(int(np.exp(-SPAN) * period * rate), int(np.exp(SPAN) * period * rate) + 2)
    chain = _chain(curve, frames, period * rate)
    if len(chain) < 8:
        return None
    gaps = np.log(np.diff(chain))
    between = (chain[1:] + chain[:-1]) // 2
    support = float(curve[chain].mean())
    return Played(
        times_s=_to_both_ends(_peaks(curve, chain) / rate, len(curve) / rate),
        support=support,
        contrast=support - float(curve[between].mean()),
        turning=float(np.abs(np.diff(gaps)).mean()),
    )


def even_support(onsets: Onsets, period_s: float) -> float:
    """How strong the attacks at evenly spaced pulses are in the quarter of the song where they are weakest.

    In standard deviations of all instants; the pulses lie where they suit the whole song best. About 0 where
    the tempo wanders: evenly spaced pulses fall between its beats sooner or later. 0 under
    `FEW` pulses, which a wandering tempo may be even enough for.
    """
    curve = onset_curve(onsets)
    step = period_s * onsets.rate / STEP
    count = int(len(curve) / step) - 1
    if count < FEW:
        return 0.0
    at = np.rint(np.arange(step)[:, None] + step * np.arange(count)).astype(int)
    quarters = np.array([curve[part].mean(axis=1) for part in np.array_split(at, 4, axis=1)])
    return float(quarters[:, np.argmax(quarters.mean(axis=0))].min())


def onset_curve(onsets: Onsets) -> FloatArray:
    """Strength of attacks and of changes of harmony, zero mean, unit power, `rate / STEP` a second."""
    strength = onsets.centred.mean(axis=0)
    n = len(strength) // STEP
    curve = gaussian_filter1d(strength[: n * STEP].reshape(n, STEP).mean(axis=1), 1.5)
    change = np.abs(np.diff(gaussian_filter1d(onsets.chroma, 1.0, axis=1), axis=1)).sum(axis=0)
    at = (np.arange(n) * STEP + 0.5) / onsets.rate
    change = np.interp(at, (np.arange(len(change)) + 0.5) / onsets.chroma_rate, change)
    change -= gaussian_filter1d(change, 0.5 * onsets.rate / STEP)
    out: FloatArray = _unit(curve) + CHORDS * _unit(change)
    return _unit(out)


def _unit(x: FloatArray) -> FloatArray:
    out: FloatArray = (x - x.mean()) / (x.std() + 1e-9)
    return out


def usual_period(curve: FloatArray, rate: float) -> float:
    """The period (s) that short windows agree on, and that people would count."""
    size, hop = min(int(WINDOW_S * rate), len(curve)), int(HOP_S * rate)
    longest = min(int(COMB[-1] * LONGEST_S * rate) + 4, size)
    total = autocorrelations(windows_of(curve[None], size, hop), longest).sum(axis=0)
    periods = np.geomspace(SHORTEST_S, LONGEST_S, 300)
    score = comb_scores(total / total[0], rate, periods, COMB)
    prior = np.exp(-0.5 * (np.log2(periods / PREFERRED_S) / OCTAVES) ** 2)
    return float(periods[np.argmax(np.maximum(score, 1e-6) * prior)])


def _chain(curve: FloatArray, frames: npt.NDArray[np.int64], usual: float) -> npt.NDArray[np.int64]:
    """Frames of the best chain of pulses; `frames` are the periods that it may take."""
    n, m = len(curve), len(frames)
    turn = TURN * np.log(frames[:, None] / frames[None, :]) ** 2
    away = AWAY * np.log(frames / usual) ** 2
    total = np.zeros((n, m), np.float32)
    back = np.full((n, m), -1, np.int16)
    rows = np.arange(m)
    for k in range(n):
        before = k - frames
        options = total[np.maximum(before, 0)] - turn
        best = np.argmax(options, axis=1)
        gain = options[rows, best]
        used = (before >= 0) & (gain > 0.0)
        total[k] = curve[k] - away + np.where(used, gain, 0.0)
        back[k] = np.where(used, best, -1)
    tail = max(n - int(frames[-1]), 0)
    at, state = divmod(int(np.argmax(total[tail:])), m)
    at += tail
    chain = [at]
    while back[at, state] >= 0:
        at, state = at - int(frames[state]), int(back[at, state])
        chain.append(at)
    return np.array(chain[::-1])


def _peaks(curve: FloatArray, chain: npt.NDArray[np.int64]) -> FloatArray:
    """The chain's frames, moved to the top of the attack within two frames, to a fraction of one."""
    near = np.clip(chain[:, None] + np.arange(-2, 3), 1, len(curve) - 2)
    k = near[np.arange(len(chain)), np.argmax(curve[near], axis=1)]
    a, b, c = curve[k - 1], curve[k], curve[k + 1]
    bend = a - 2 * b + c
    out: FloatArray = k + np.where(
        bend < -1e-6, np.clip(0.5 * (a - c) / np.minimum(bend, -1e-6), -0.5, 0.5), 0.0
    )
    return out


def _to_both_ends(times: FloatArray, end_s: float) -> FloatArray:
    first, last = float(np.median(np.diff(times[:5]))), float(np.median(np.diff(times[-5:])))
    before = times[0] - first * np.arange(int(times[0] / first), 0, -1)
    after = times[-1] + last * np.arange(1, int((end_s - times[-1]) / last) + 2)
    return np.concatenate([before, times, after])
