"""Where the beat breaks off and starts anew at the same tempo, off the count before it.

A bounce that lost some milliseconds, a bar cut by ear, a pause that is no whole number of beats: a steady
pulse on either side, but not one pulse. It is looked for as the place and the shift that together let the
attacks of both sides add up highest at the harmonics of the pulse (a change of phase as a change point: M.
Basseville, I. Nikiforov, "Detection of Abrupt Changes", 1993). Then each side is fitted by itself. A restart
is taken where both have the same period, cohere on it, and sound alike when one is shifted, but not as they
stand. A shift by a note value of the rhythm cannot be told from another pattern here: see `bar_restarts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.lattice_fit import TOLERANCE, demodulate, fine_rise, fit_constant, regress, window_lags
from analyzers.rhythm.pulse_patterns import BINS, TwoCounts, fold_sides
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
HARMONICS = (1, 2, 4)
SHIFTS = 64  # of a pulse that are tried
CYCLE = 0.03  # of a pulse that a tried period may be off at the ends of the song
LEAST_S = 16.0  # of each side: in less a drift cannot be told from a shift (`regress`)
MOST_PLACES = 300  # that are tried, some pulses apart in a long song
GAIN = 1.05  # so much more power with the shift than without (ratio)
NEAR = 0.002  # share of the period that the fit of a side stays within
SAME_S = 0.008  # one side may run away from the other's period by so much
AS_WELL = 0.1  # so much less coherence is as good
COHERE = 0.35  # least coherence of each side
UNLIKE = 0.6  # by so much more the sides are alike when shifted than as they stand (correlation)
LEAST_GAP = 0.01  # beats
STRETCH = 0.7  # natural log of how far beats between the two counts may be from their length
NEAR_S = 3.0  # the exact place is looked for so near


@dataclass(frozen=True, slots=True, eq=False)
class Restart:
    """counts : of one period; pulses_s : pulse times, with one odd pulse between the counts [shape=(n,)]"""

    counts: TwoCounts
    pulses_s: FloatArray


def find_restart(onsets: Onsets, rise: FloatArray, period_s: float) -> Restart | None:
    """The one place where the beat starts anew off its count; None where there is none.

    rise : `fine_rise` of the onsets; period_s : coarse period of the pulse
    """
    found = _place(onsets, period_s)
    if found is None:
        return None
    near_s, near_period_s = found
    period = _common_period(onsets, near_s, near_period_s)
    return None if period is None else _exact(rise, onsets.fine_rate, near_s, period)


def joined(
    first_s: FloatArray, second_s: FloatArray, counts: TwoCounts, bar: int
) -> tuple[FloatArray, int, int]:
    """Beats before a restart and after it as one count, whose bars stay whole.

    first_s, second_s : beats of either side, each from a bar line on, carried on past it [shape=(n,)]
    bar : beats in a bar

    Returns (beats, number of the last of the first side, number of the first of the second side). Those
    between are even: as many as make whole bars, and as few beats given up as keep them from being rushed or
    dragged (`STRETCH`).
    """
    last = int(np.searchsorted(first_s, counts.at_s + SAME_S, "right")) - 1
    following = int(np.searchsorted(second_s, counts.resumes_s - SAME_S))
    beat = float(np.median(np.diff(second_s)))
    for given_up in range(2 * bar):
        a, b = max(last - (given_up + 1) // 2, 0), min(following + given_up // 2, len(second_s) - 1)
        gap = max(float(second_s[b] - first_s[a]) / beat, LEAST_GAP)
        steps = np.arange((b - a - 1) % bar + 1, 2 * gap + bar + 1, bar)
        bent = np.abs(np.log(gap / steps))
        step = int(steps[np.argmin(bent)])
        if bent.min() <= STRETCH:
            break
    between = np.linspace(first_s[a], second_s[b], step + 1)[1:-1]
    return np.concatenate([first_s[: a + 1], between, second_s[b:]]), a, a + step


def _place(onsets: Onsets, period_s: float) -> tuple[float, float] | None:
    """(s, period) at which a shift lets the attacks add up highest; None where none does."""
    z, t = demodulate(onsets, period_s, HARMONICS)
    step = -(-len(t) // MOST_PLACES)
    starts = np.arange(0, len(t), step)
    z, t = np.add.reduceat(z, starts, axis=2), t[starts] + (step - 1) / 2 * period_s
    least = math.ceil(LEAST_S / step / period_s)
    if len(t) <= 2 * least:
        return None
    places = np.arange(least, len(t) - least)
    harmonics = np.array(HARMONICS)
    shifted = np.exp(2j * np.pi * np.outer(harmonics, np.arange(SHIFTS) / SHIFTS))
    half = TOLERANCE / period_s
    count = max(int(half * float(t[-1] - t[0]) / CYCLE), 4)
    best, plain, found = 0.0, 0.0, None
    for hz in half * np.arange(-count, count + 1) / count:
        sums = np.cumsum(z * np.exp(-2j * np.pi * hz * np.outer(harmonics, t)), axis=2)
        before, total = sums[:, :, places], sums[:, :, -1:]
        after = total - before
        apart = (np.abs(before) ** 2 + np.abs(after) ** 2).sum(axis=(0, 1))
        together = 2.0 * np.real((before.conj() * after).sum(axis=0).T @ shifted).max(axis=1)
        power = apart + together
        plain = max(plain, float((np.abs(total) ** 2).sum()))
        k = int(np.argmax(power))
        if power[k] > best:
            best, found = float(power[k]), (float(t[places[k]]), 1.0 / (1.0 / period_s + hz))
    return found if best > GAIN * plain else None


def _common_period(onsets: Onsets, at_s: float, period_s: float) -> float | None:
    """The period of one side on which the other coheres as well, without drift; None without one."""
    parts = onsets.part(0.0, at_s), onsets.part(at_s, np.inf)
    rises = [fine_rise(part) for part in parts]
    lengths = np.array([len(rise) for rise in rises]) / onsets.fine_rate
    fits = [fit_constant(part, rise, period_s, NEAR) for part, rise in zip(parts, rises, strict=True)]
    own = [lags.coherence for _, lags in fits]
    best, found = COHERE, None
    for k, other in ((0, 1), (1, 0)):
        period = fits[k][0]
        carried = window_lags(rises[other], onsets.fine_rate, period)
        least, slope = min(own[k], carried.coherence), regress(carried)
        as_well = carried.coherence > own[other] - AS_WELL
        if as_well and least > best and abs(slope) * lengths[other] < SAME_S:
            share = lengths[other] ** 3 / (lengths**3).sum()  # the variance of a slope falls with that
            best, found = least, period * (1.0 + slope * share)
    return None if found is None else float(found)


def _exact(rise: FloatArray, rate: float, near_s: float, period_s: float) -> Restart | None:
    """The restart near `near_s`, where the sides are alike only when they are shifted."""
    sides = fold_sides(rise, rate, near_s, period_s, period_s, NEAR_S)
    alike = sides.alike
    turn = int(np.argmax(alike))
    if alike[turn] - alike[0] < UNLIKE:
        return None
    counts = sides.counts
    pulses = np.arange(int(len(rise) / rate / period_s) + 2) * period_s
    shift = (turn + 0.5) / BINS % 1.0 * period_s
    late = pulses + shift
    return Restart(counts, np.concatenate([pulses[pulses <= counts.at_s], late[late > counts.at_s]]))
