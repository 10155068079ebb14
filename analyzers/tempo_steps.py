"""A tempo that moves, told in as few numbers as it takes.

`one_step` finds a song of two constant tempi; `curve` merges the bars of a played one while the beats stay
within a few milliseconds of where they are.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]
STEP_RMS_S = 0.006  # two straight lines explain the beats when they leave no more than this
STEP_LEAST = 0.008  # smallest change of tempo (ratio) that is called a step
CURVE_S = 0.004  # a merged stretch may move a beat by this much


def one_step(beats_s: FloatArray) -> tuple[int, float, float] | None:
    """(index of the beat at the change, period before, period after) when one step explains all beats.

    beats_s : beat times, rising [shape=(n,)]; None when n < 24 or no single step explains them.
    """
    n = len(beats_s)
    if n < 24:
        return None
    x = np.arange(n, dtype=float)
    best: tuple[float, int] | None = None
    for k in range(8, n - 8):
        knee = np.stack([np.ones(n), np.minimum(x, k) - k, np.maximum(x, k) - k], axis=1)
        solution, _, _, _ = np.linalg.lstsq(knee, beats_s, rcond=None)
        residual = float(np.median(np.abs(knee @ solution - beats_s)) * 1.48)
        if best is None or residual < best[0]:
            best = (residual, k)
            periods = (float(solution[1]), float(solution[2]))
    if best is None or best[0] > STEP_RMS_S or abs(np.log(periods[1] / periods[0])) < STEP_LEAST:
        return None
    return best[1], *periods


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
