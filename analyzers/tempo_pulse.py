"""The pulse of a song, steady and moving, with the signs by which one chooses between them.

`steady_s` are evenly spaced pulse times of the best constant fit; `moving_s` a beat-by-beat map, made only
where the steady one leaves attacks unexplained.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.meter_evidence import pulse_number
from analyzers.onsets import Onsets
from analyzers.tempo import coarse_periods
from analyzers.tempo_drift import STEP, WANDER, pulse_map
from analyzers.tempo_fit import WindowLags, fine_rise, fit_constant, fold_lags

FloatArray = npt.NDArray[np.floating]
CLEAR = 0.80  # coherence above which no moving pulse is looked for
SIGNS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Pulse:
    """period_s : best constant period; lags : windows against it

    signs [shape=(SIGNS,)] : repetition (comb score), coherence of the steady pulse, gain in coherence of the
    moving one (0 when not looked for), spread of the steady lags (ms), log of the duration in pulses
    """

    period_s: float
    lags: WindowLags
    rise: FloatArray
    steady_s: FloatArray
    moving_s: FloatArray | None
    signs: tuple[float, ...]


def find_pulse(onsets: Onsets) -> Pulse | None:
    """The pulse of the song; None when it is too short to have one."""
    found = coarse_periods(onsets, 1)
    if not found:
        return None
    coarse, score = found[0]
    period, lags = fit_constant(onsets, coarse)
    duration = onsets.strength.shape[1] / onsets.rate
    steady = np.arange(int(duration / period) + 2) * period
    rise = fine_rise(onsets)
    moving, best = None, 0.0
    if lags.coherence < CLEAR:
        for span in (WANDER, STEP):
            pulses = pulse_map(onsets, coarse, span)
            u = pulse_number(np.arange(len(rise)) / onsets.fine_rate, pulses)
            gain = fold_lags(rise, onsets.fine_rate, u, float(np.median(np.diff(pulses)))).coherence
            gain -= lags.coherence + (0.02 if span == STEP else 0.0)
            if moving is None or gain > best:
                moving, best = pulses, gain
    signs = (score, lags.coherence, best, lags.spread_s * 1e3, float(np.log(duration / period)))
    return Pulse(period, lags, rise, steady, moving, signs)
