"""Noise that can be heard where the music is not yet: hum of the mains, and the floor.

Both are measured in the lead-in; without a lead-in of at least 0.3 s nothing is said. Noise that
lies under the music is there right before it, in most moments: a pop is none. Mains
frequencies: 50 Hz or 60 Hz by country (common knowledge), hum shows at their multiples.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from analyzers.level.noisebed import MAINS_HZ
from analyzers.level.silence import GUARD_S
from analyzers.model import Flag, LeadIn
from analyzers.signal.features import Features
from analyzers.signal.samples import Floats, Signal

LEAST_S = 0.3
LONGEST_S = 10.0
NEAR_S, MOMENT_S = 0.5, 0.05  # the floor is that of most moments so near; hum swings whole times in one
MULTIPLES = 8
LINE = 12.0  # power of a line over its surroundings
HUM_WARNING_DBFS, HUM_NOTE_DBFS = -75.0, -95.0
FLOOR_WARNING_DBFS, FLOOR_NOTE_DBFS = -60.0, -75.0


def judge_noise(features: Features, lead_in: LeadIn) -> list[Flag]:
    """Hum, else a high noise floor, in the lead-in."""
    signal, end = features.signal, lead_in.first_sound_sample
    if end is None or lead_in.noise_floor_dbfs is None:
        return []
    end -= round(GUARD_S * signal.rate)
    if end < LEAST_S * signal.rate:
        return []
    quiet = features.mono[max(0, end - round(LONGEST_S * signal.rate)) : end]
    return _hum(quiet, signal.rate, lead_in) or _floor(signal, end, lead_in)


def _hum(quiet: np.ndarray, rate: int, lead_in: LeadIn) -> list[Flag]:
    from scipy.signal import welch  # heavy, and most beats have no noise to look at

    size = min(len(quiet), rate)
    frequency, power = welch(quiet, rate, nperseg=size, detrend="constant", scaling="spectrum")
    width = rate / size
    around = median_filter(power, 2 * round(20 / width) + 1, mode="nearest")
    levels = {mains: _family(frequency, power, around, mains, width) for mains in MAINS_HZ}
    mains = max(levels, key=lambda hz: levels[hz])
    if levels[mains] <= 0.0:
        return []
    level = 10 * float(np.log10(levels[mains]))
    if level < HUM_NOTE_DBFS:
        return []
    return [
        Flag(
            code="hum",
            severity="warning" if level >= HUM_WARNING_DBFS else "note",
            text=f"Mains hum of {mains:.0f} Hz and its multiples at {level:.0f} dBFS before the music.",
            advice=f"Notch {mains:.0f} Hz and its multiples, or ask for a clean bounce.",
            start_s=0.0,
            end_s=lead_in.first_sound_s,
            amount=level,
            unit="dBFS",
        )
    ]


def _family(
    frequency: np.ndarray, power: np.ndarray, around: np.ndarray, mains: float, width: float
) -> float:
    """Mean square of the lines at multiples of a mains frequency; 0 unless at least two stand out."""
    found, total = 0, 0.0
    for multiple in range(1, MULTIPLES + 1):
        near = np.flatnonzero(np.abs(frequency - multiple * mains) <= 1.0 + width / 2)
        if len(near) == 0:
            continue
        k = int(near[power[near].argmax()])
        peak = power[k] >= power[max(k - 1, 0)] and power[k] >= power[min(k + 1, len(power) - 1)]
        if peak and power[k] > LINE * around[k]:
            found += 1
            total += float(power[k])
    return total if found >= 2 else 0.0


def _floor(signal: Signal, end: int, lead_in: LeadIn) -> list[Flag]:
    power = max(_usual_power(x, signal.rate) for x in _near(signal, end).T)
    level = 10 * float(np.log10(max(power, 1e-12)))
    if level < FLOOR_NOTE_DBFS:
        return []
    return [
        Flag(
            code="noise-floor",
            severity="warning" if level >= FLOOR_WARNING_DBFS else "note",
            text=f"Noise of {level:.0f} dBFS before the music, and most likely under it.",
            advice="Fade the first bar in by hand if it is exposed, or ask for a clean bounce.",
            start_s=0.0,
            end_s=lead_in.first_sound_s,
            amount=level,
            unit="dBFS",
        )
    ]


def _near(signal: Signal, end: int) -> Floats:
    """What lies right before the music [shape=(frames, channels)]."""
    return signal.samples[max(0, end - round(NEAR_S * signal.rate)) : end]


def _usual_power(x: Floats, rate: int) -> float:
    """Mean square in the median moment, offset removed."""
    size = round(MOMENT_S * rate)
    moments = (x[: len(x) // size * size] - x.mean()).reshape(-1, size).astype(np.float64)
    return float(np.median((moments**2).mean(axis=1)))
