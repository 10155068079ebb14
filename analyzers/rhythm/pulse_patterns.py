"""What sounds where between two pulses, before a place in the song and after it.

Where one count of pulses gives way to another, each side's attacks are folded on its own period; which of the
two patterns an attack falls on says to which side it belongs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

FloatArray = npt.NDArray[np.floating]
BINS, SMOOTH = 256, 3.0  # of a folded period
FAR_S = 600.0  # so much on either side is folded: bounds memory on long files
CLEAR_DB = 10.0  # rise that counts as an attack
UNSURE = 0.05  # share of what speaks for the place that may be given up to find the rest in the music there
UNSURE_SILENCE, SILENCE_S = 0.5, 2.0  # the same for so long a silence: no beat has one


@dataclass(frozen=True, slots=True)
class TwoCounts:
    """at_s : last attack on the first count of pulses; resumes_s : first one after it; their periods (s)"""

    at_s: float
    resumes_s: float
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """before, after : what sounds where in a pulse, each counted from time 0 [shape=(BINS,)]
    before_s, after_s : its length
    times_s, rise : instants around the place and the rise of level there [shape=(n,)]
    for_before : running sum of how much better attacks fall on `before`: highest at the change [shape=(n,)]
    """

    before: FloatArray
    after: FloatArray
    before_s: float
    after_s: float
    times_s: FloatArray
    rise: FloatArray
    for_before: FloatArray

    @property
    def alike(self) -> FloatArray:
        """Correlation of `before` with `after` turned back by each number of bins [shape=(BINS,)]."""
        return turns(self.before, self.after)

    @property
    def counts(self) -> TwoCounts:
        """They change at the longest rest in the music where either may hold."""
        silence = self._rest(UNSURE_SILENCE)
        at_s, resumes_s = silence if silence[1] - silence[0] >= SILENCE_S else self._rest(UNSURE)
        return TwoCounts(at_s, resumes_s, self.before_s, self.after_s)

    def _rest(self, unsure: float) -> tuple[float, float]:
        """Start and end (s) of the longest rest near the change."""
        top = int(np.argmax(self.for_before))
        lost = self.for_before[top] - self.for_before
        close = lost < unsure * float(lost.max())
        first = top - int(np.argmin(np.append(close[top::-1], False)))
        end = top + int(np.argmin(np.append(close[top:], False)))
        loud = np.flatnonzero(self.rise[first + 1 : end + 1] > CLEAR_DB) + first + 1
        marks = np.unique(np.concatenate([[first + 1], loud, [end]])).clip(0, len(self.rise) - 1)
        k = int(np.argmax(np.diff(marks))) if len(marks) > 1 else 0
        return float(self.times_s[marks[k]]), float(self.times_s[marks[min(k + 1, len(marks) - 1)]])


def fold_sides(
    rise: FloatArray, rate: float, at_s: float, first_s: float, second_s: float, reach_s: float
) -> Sides:
    """Fold what lies before `at_s` on the period `first_s`, and what lies after it on `second_s`.

    rise : rises of level at `rate` (Hz); reach_s : how far from `at_s` the attacks are told apart, and on
        through a silence there
    """
    middle, far, near = (int(s * rate) for s in (at_s, FAR_S, reach_s))
    start = max(middle - far, 0)
    part, middle = rise[start : middle + far], middle - start
    t = (start + np.arange(len(part))) / rate
    before = pattern_of(part[:middle], t[:middle] / first_s)
    after = pattern_of(part[middle:], t[middle:] / second_s)
    around = _through_silence(part, middle - near, middle + near, near)
    better = before[bins_of(t[around] / first_s)] - after[bins_of(t[around] / second_s)]
    return Sides(before, after, first_s, second_s, t[around], part[around], np.cumsum(part[around] * better))


def _through_silence(rise: FloatArray, first: int, end: int, near: int) -> slice:
    """A stretch; where it ends on either side in a silence of `near` or more, on from its other end."""
    loud = np.concatenate([[-1], np.flatnonzero(rise > CLEAR_DB), [len(rise)]])
    a, b = (int(np.searchsorted(loud, at)) for at in (first, end))
    if loud[a] - loud[a - 1] >= near and a > 1:
        first = loud[a - 1] - near
    if loud[b] - loud[b - 1] >= near and b < len(loud) - 1:
        end = loud[b] + near
    return slice(max(first, 0), end)


def pattern_of(rise: FloatArray, count: FloatArray) -> FloatArray:
    """What sounds where in a pulse [shape=(BINS,)]: no mean, unit norm.

    count : pulse number of each rise
    """
    return as_pattern(np.bincount(bins_of(count), rise, BINS).astype(np.float64), SMOOTH)


def as_pattern(folds: FloatArray, smooth: float) -> FloatArray:
    """Folded curves as one pattern: smoothed, no mean, together of unit norm [shape=(..., bins)]."""
    rows = gaussian_filter1d(folds, smooth, axis=-1, mode="wrap")
    rows = rows - rows.mean(axis=-1, keepdims=True)
    out: FloatArray = rows / (float(np.linalg.norm(rows)) + 1e-9)
    return out


def turns(first: FloatArray, second: FloatArray) -> FloatArray:
    """Correlation of the first curves with the second turned back by each number of bins [same shape]."""
    spectrum = np.fft.rfft(second) * np.fft.rfft(first).conj()
    out: FloatArray = np.fft.irfft(spectrum, first.shape[-1])
    return out


def bins_of(count: FloatArray) -> npt.NDArray[np.int64]:
    """Place of each pulse number in a pattern."""
    return (count % 1.0 * BINS).astype(np.int64) % BINS
