"""Pulse numbers and times: a map of evenly numbered pulses carries steady and moving tempi alike."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]


def pulse_number(t: FloatArray, pulses_s: FloatArray) -> FloatArray:
    """Pulse number (fractional) at times t, carried on evenly beyond both ends."""
    n = len(pulses_s)
    first, last = pulses_s[1] - pulses_s[0], pulses_s[-1] - pulses_s[-2]
    u = np.interp(t, pulses_s, np.arange(n))
    out: FloatArray = u + np.minimum(t - pulses_s[0], 0) / first + np.maximum(t - pulses_s[-1], 0) / last
    return out


def pulse_time(u: FloatArray, pulses_s: FloatArray) -> FloatArray:
    """Time of pulse numbers u, the inverse of `pulse_number`."""
    n = len(pulses_s)
    first, last = pulses_s[1] - pulses_s[0], pulses_s[-1] - pulses_s[-2]
    t = np.interp(u, np.arange(n), pulses_s)
    out: FloatArray = t + np.minimum(u, 0) * first + np.maximum(u - (n - 1), 0) * last
    return out
