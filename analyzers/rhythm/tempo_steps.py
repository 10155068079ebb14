"""A tempo that moves, told in as few numbers as it takes.

`two_tempi` finds a song of two constant tempi, each fitted exactly; `curve` merges the bars of a played one
while the beats stay within a few milliseconds of where they are.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.lattice_fit import fine_rise, fit_constant
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
LOOSE_S = 0.030  # a pulse map bends at one place when two lines leave half the pulses nearer than this
LEAST_STEP = 0.02  # smallest change (natural log of the ratio) that is called a step
LEAST_PULSES = 12  # on each side
CURVE_S = 0.004  # a merged stretch may move a bar line by this much


def two_tempi(onsets: Onsets, pulses_s: FloatArray) -> tuple[FloatArray, int] | None:
    """Pulse times on two straight lines, and the number of the pulse where they meet.

    Parameters
    ----------
    pulses_s : a pulse map [shape=(n,)]; its bend is where the step is looked for

    Returns
    -------
    None when the map does not bend at one place, or one side is shorter than `LEAST_PULSES`.
    """
    found = _bend(pulses_s)
    if found is None:
        return None
    knee, before, after = found
    change = float(pulses_s[knee])
    lines = []
    for part, period, own, start in (
        (onsets.part(0.0, change), before, pulses_s[:knee], 0),
        (onsets.part(change, np.inf), after, pulses_s[knee:], knee),
    ):
        exact, _ = fit_constant(part, fine_rise(part), period)
        x = np.arange(start, start + len(own))
        lines.append((exact, float(np.median(own - x * exact))))
    (p, a), (q, b) = lines
    meet = (b - a) / (p - q)
    if not LEAST_PULSES <= meet <= len(pulses_s) - LEAST_PULSES:
        return None
    x = np.arange(len(pulses_s))
    return np.where(x <= meet, a + p * x, b + q * x), round(meet)


def _bend(pulses_s: FloatArray) -> tuple[int, float, float] | None:
    """(pulse number, period before, period after) of the one bend of a pulse map."""
    n = len(pulses_s)
    if n < 2 * LEAST_PULSES + 2:
        return None
    x = np.arange(n, dtype=float)
    best: tuple[float, int, FloatArray] | None = None
    for k in range(LEAST_PULSES, n - LEAST_PULSES, max(n // 300, 1)):
        lines = np.stack([np.ones(n), np.minimum(x, k) - k, np.maximum(x, k) - k], axis=1)
        solution, _, _, _ = np.linalg.lstsq(lines, pulses_s, rcond=None)
        residual = float(np.median(np.abs(lines @ solution - pulses_s)))
        if best is None or residual < best[0]:
            best = (residual, k, solution)
    if best is None or best[0] > LOOSE_S:
        return None
    before, after = float(best[2][1]), float(best[2][2])
    if before <= 0 or after <= 0 or abs(np.log(after / before)) < LEAST_STEP:
        return None
    return best[1], before, after


def curve(lines_s: FloatArray, beats_per_bar: int) -> tuple[tuple[float, float], ...]:
    """(time of a bar line, BPM from there on), as few as keep every bar line within `CURVE_S`."""
    out: list[tuple[float, float]] = []
    a = 0
    while a < len(lines_s) - 1:
        b = a + 1
        while b + 1 < len(lines_s):
            even = np.linspace(lines_s[a], lines_s[b + 1], b + 2 - a)
            if np.abs(even - lines_s[a : b + 2]).max() > CURVE_S:
                break
            b += 1
        bpm = 60.0 * beats_per_bar * (b - a) / (lines_s[b] - lines_s[a])
        out.append((float(lines_s[a]), round(float(bpm), 4)))
        a = b
    return tuple(out)
