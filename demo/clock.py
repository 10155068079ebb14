"""Musical time: beats to seconds, and swing.

Beat 0 is bar one's first beat; a beat is the notated pulse (a quarter, a dotted quarter in 6/8 and 12/8).
Nothing is accumulated while playing: each instant is computed from its beat number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Clock:
    """Piecewise linear map from beats to seconds, carried on with the end slopes outside its knots."""

    bar_one_s: float
    beats: tuple[float, ...]  # knots, rising
    seconds: tuple[float, ...]  # seconds after bar one at the knots

    @classmethod
    def steady(cls, bar_one_s: float, bpm: float) -> Clock:
        return cls(bar_one_s, (0.0, 1.0), (0.0, 60.0 / bpm))

    @classmethod
    def played(cls, bar_one_s: float, beat_bpm: npt.NDArray[np.float64]) -> Clock:
        """One tempo for each beat: `beat_bpm` [shape=(n,)]."""
        seconds = np.concatenate([[0.0], np.cumsum(60.0 / beat_bpm)])
        return cls(bar_one_s, tuple(range(len(seconds))), tuple(seconds.tolist()))

    def at(self, beat: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Seconds of the given beats; any shape."""
        b = np.asarray(beat, float)
        if len(self.beats) == 2:
            return np.asarray(self.bar_one_s + b * self.seconds[1])
        x, y = np.array(self.beats), np.array(self.seconds)
        first, last = y[1] - y[0], y[-1] - y[-2]
        inside = np.interp(b, x, y)
        outside = np.minimum(b - x[0], 0) * first + np.maximum(b - x[-1], 0) * last
        return np.asarray(self.bar_one_s + inside + outside)


def swung(beat: npt.ArrayLike, swing: float, unit: float) -> npt.NDArray[np.float64]:
    """Beats with the second half of each pair of `unit` beats moved to the share `swing` of the pair.

    0.5 is straight, 2/3 the triplet feel; `unit` is the pair's length (1 for eighths, 0.5 for sixteenths).
    """
    b = np.asarray(beat, float)
    pair = np.floor(b / unit + 1e-9)
    x = b / unit - pair
    bent = np.where(x < 0.5, x * 2 * swing, swing + (x - 0.5) * 2 * (1 - swing))
    return np.asarray((pair + bent) * unit)
