"""The pulse of a song, steady and moving, with the evidence by which one chooses between them.

`steady_s` are evenly spaced pulse times of the best constant fit; `moving_s` a beat-by-beat map, made only
where the steady one leaves attacks unexplained.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.drift import LOOSELY, TIGHTLY, attack_curve, follow, local_periods
from analyzers.rhythm.lattice import SHORTEST_S, Tempogram, coarse_periods, tempogram
from analyzers.rhythm.lattice_fit import (
    WindowLags,
    coherent_period,
    fine_rise,
    fit_constant,
    fold_lags,
    window_lags,
)
from analyzers.rhythm.pulse_map import pulse_number
from analyzers.rhythm.pulse_patterns import TwoCounts
from analyzers.rhythm.restarts import find_restart
from analyzers.rhythm.tempo_steps import Change, one_change
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
CLEAR = 0.60  # below this coherence a moving pulse is looked for
WIDE_S = 0.003  # or a wider spread of the steady lags than this
NEAR = 0.001  # share of the coarse period that a second fit stays within
CLEARLY = 0.15  # so much more coherence makes the second fit the better one
# Chains of dotted notes that start anew with each bar repeat most evenly at their own length, at which the
# song's attacks do not add up: the beat is so many times as long, octaves aside. There they cohere by so much
# more (.25 and more; of 170 beats that move, one gains as much, three .15 to .18)
CHAINED, CHAINED_CLEARLY = 2 / 3, 0.20
EVEN_S, EVEN_PULSES = 0.014, 60  # a map as even and long as this was made by a steady pulse
TIGHT = 0.30  # coherence of attacks that show themselves which of the two kinds they are
# So much more coherence makes the map that may jump the better one, or the one kept tightly to the tempo
HANDICAP = 0.02
AS_WELL = 0.03  # so much less coherence makes two straight lines no worse than a map that follows
# The same where the beat starts anew: such a map only errs around that place; but so much is gained
RESTART_AS_WELL, RESTART_GAIN = 0.08, 0.05
# One change of tempo is there where each side coheres by so much more on its own tempo; by less where it
# explains more of the attacks, as a map that follows does
OWN, LITTLE_OWN, CLEAR_STEP, STEP_GAIN = 0.08, 0.05, 0.04, 0.02
SMALL_RATIO = 0.005  # so near to it two tempi have it
HINT = 0.02  # with so much it may be there, by a third most of all: each side then fits both tempi


@dataclass(frozen=True, slots=True, eq=False)
class Pulse:
    """period_s : best constant period; lags : windows against it; rise : fine rises of the signal
    steady_s, moving_s : pulse times; knee : pulse where one tempo gives way to another, if there is one;
    hinted : whether there may be one, too faint to be followed
    apart : one whose two tempi are in small ratio, so that one lattice holds both as well: the attacks do not
    tell, what either side sounds like may
    counts : of pulses, where there are two: of two tempi (then with a knee), or the beat starts anew

    evidence [shape=(5,)] : repetition (comb score), coherence of the steady pulse, gain in coherence of the
    moving one (0 when not looked for), spread of the steady lags (ms), log of the duration in pulses
    """

    period_s: float
    lags: WindowLags
    rise: FloatArray
    steady_s: FloatArray
    moving_s: FloatArray | None
    knee: int | None
    hinted: bool
    apart: Change | None
    counts: TwoCounts | None
    evidence: tuple[float, ...]

    @property
    def even(self) -> bool:
        """Whether attacks too loose to tell by themselves gave an even map: it was free to wander off."""
        _, coherence, gain, _, _ = self.evidence
        pulses = self.moving_s
        if pulses is None or len(pulses) < EVEN_PULSES or coherence + max(gain, 0.0) > TIGHT:
            return False
        count = np.arange(len(pulses))
        return float(np.std(pulses - np.polyval(np.polyfit(count, pulses, 1), count))) < EVEN_S


def find_pulse(onsets: Onsets) -> Pulse | None:
    """The pulse of the song; None when it is too short to have one."""
    strength = onsets.centred
    found = coarse_periods(strength, onsets.rate, 1)
    if not found:
        return None
    coarse, score = found[0]
    rise = fine_rise(onsets)
    coarse, period, lags = _steady(onsets, rise, coarse)
    duration = onsets.strength.shape[1] / onsets.rate
    steady = np.arange(int(duration / period) + 2) * period
    tempi = tempogram(strength, onsets.rate, coarse)
    moving, gain, knee, hinted, apart, counts, restart = None, 0.0, None, False, None, None, None
    if lags.coherence < CLEAR or lags.spread_s > WIDE_S:
        moving, gain = _moving(onsets, rise, strength, tempi, lags.coherence)
        restart = find_restart(onsets, rise, coarse)
    change = one_change(onsets, rise, tempi)
    if change is not None:
        straight = _coherence(onsets, rise, change.pulses_s) - lags.coherence
        little = change.own > LITTLE_OWN and straight > CLEAR_STEP and gain > STEP_GAIN
        if (change.own > OWN or little) and straight > max(gain - AS_WELL, 0.0):
            moving, gain, knee = change.pulses_s, max(straight, gain), change.knee
            counts = change.counts
        hinted = knee is None and change.own > HINT and straight > 0.0
        apart = change if knee is None and _in_small_ratio(change.counts) else None
    if restart is not None:
        straight = _coherence(onsets, rise, restart.pulses_s) - lags.coherence
        if straight > max(gain - RESTART_AS_WELL, RESTART_GAIN):
            moving, gain, knee, hinted, apart = restart.pulses_s, max(straight, gain), None, False, None
            counts = restart.counts
    evidence = (score, lags.coherence, gain, lags.spread_s * 1e3, float(np.log(duration / period)))
    return Pulse(period, lags, rise, steady, moving, knee, hinted, apart, counts, evidence)


def _steady(onsets: Onsets, rise: FloatArray, coarse: float) -> tuple[float, float, WindowLags]:
    """The best constant pulse: its period to a few thousandths, exactly, and the windows' lags against it."""
    period, lags = fit_constant(onsets, rise, coarse)
    if lags.coherence < CLEAR:
        near, lags_near = fit_constant(onsets, rise, coarse, NEAR)
        if lags_near.coherence > lags.coherence + CLEARLY:
            period, lags = near, lags_near
    if lags.coherence < CLEAR:
        beat = coarse * CHAINED if coarse * CHAINED >= SHORTEST_S else 2 * coarse * CHAINED
        roughly = window_lags(rise, onsets.fine_rate, coherent_period(onsets, beat, NEAR))
        if roughly.coherence > lags.coherence + CLEARLY:
            near, lags_near = fit_constant(onsets, rise, beat, NEAR)
            if lags_near.coherence > lags.coherence + CHAINED_CLEARLY:
                return beat, near, lags_near
    return coarse, period, lags


def _in_small_ratio(counts: TwoCounts) -> bool:
    ratio = counts.before_s / counts.after_s
    return any(abs(ratio / small - 1.0) < SMALL_RATIO for small in (3 / 2, 2 / 3, 4 / 3, 3 / 4))


def _moving(
    onsets: Onsets, rise: FloatArray, strength: FloatArray, tempi: Tempogram, steady: float
) -> tuple[FloatArray, float]:
    """The better of a map that wanders and one that may jump, or that one kept tightly to its tempo; and its
    gain in coherence over `steady`."""
    attacks = attack_curve(strength)
    wandering, *jumping = local_periods(tempi)

    def followed(periods: FloatArray, tightness: float) -> tuple[FloatArray, float]:
        pulses = follow(onsets, attacks, rise, (tempi.times_s, periods), tightness)
        return pulses, _coherence(onsets, rise, pulses) - steady

    best, periods = followed(wandering, LOOSELY), wandering
    for jumps in jumping:
        other = followed(jumps, LOOSELY)
        if other[1] - HANDICAP > best[1]:
            best, periods = other, jumps
    tight = followed(periods, TIGHTLY)
    return tight if tight[1] - HANDICAP > best[1] else best


def _coherence(onsets: Onsets, rise: FloatArray, pulses: FloatArray) -> float:
    period = float(np.median(np.diff(pulses)))
    return fold_lags(rise, onsets.fine_rate, lambda t: pulse_number(t, pulses), period).coherence
