"""A tempo that moves, told in as few numbers as it takes.

`one_change` finds a song of two constant tempi, each fitted exactly; `curve` merges the bars of a played one
while the beats stay within a few milliseconds of where they are.

The two tempi are looked for as one change in the mean of the tempogram's rows (two rates and the place that
together score highest, as in binary segmentation: Scott and Knott, Biometrics 30(3), 1974). Each side is then
fitted by itself; the attacks folded on either period say how the two lines of pulses lie to each other, and
the change is where those lines cross, at that crossing around which the attacks fall on the first line
before and on the second one after.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.lattice import Tempogram
from analyzers.rhythm.lattice_fit import fine_rise, fit_constant, fold_lags
from analyzers.rhythm.pulse_patterns import BINS, Sides, TwoCounts, fold_sides
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
SPLIT_GAIN = 0.003  # least gain in the mean score with two tempi: hardly any steady song has it
WIDELY = 0.03  # a change by a natural log of 1 has to gain so much more than none
LEAST_STEP = 0.02  # smallest change (natural log of the ratio) that is called a step
LEAST_WINDOWS, LEAST_PULSES = 8, 12  # on each side
NEAR_S = 5.0  # the change lies no further from where the tempogram changes
SETTLED = 2  # times that the lines are moved
CURVE_S = 0.004  # a merged stretch may move a bar line by this much


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """pulses_s : pulse times on two straight lines [shape=(n,)]; knee : number of the last pulse on the first

    own : by how much more the attacks of a side cohere on their own period than on the other side's, the
    lesser of the two sides; counts : the two, which need not be one count
    """

    pulses_s: FloatArray
    knee: int
    own: float
    counts: TwoCounts


def one_change(onsets: Onsets, rise: FloatArray, tempi: Tempogram) -> Change | None:
    """Two constant tempi in place of one; None where the tempogram changes nowhere.

    rise : `fine_rise` of the onsets
    """
    found = _split(tempi)
    if found is None:
        return None
    near_s, before, after = found
    first, own_first = _fitted(onsets.part(0.0, near_s), before, after)
    second, own_second = _fitted(onsets.part(near_s, np.inf), after, before)
    sides = fold_sides(rise, onsets.fine_rate, near_s, first, second, NEAR_S)
    meet_s = _crossing(sides, near_s)
    if meet_s is None:
        return None
    lines = _Lines(0.0, first, meet_s - meet_s / first * second, second)
    end_s = len(rise) / onsets.fine_rate
    for _ in range(SETTLED):
        lines = lines.settled(rise, onsets.fine_rate, end_s)
    pulses = lines.pulses(end_s)
    if not LEAST_PULSES <= lines.meet <= len(pulses) - LEAST_PULSES:
        return None
    return Change(pulses, round(lines.meet), min(own_first, own_second), sides.counts)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Pulse k lies at first_s + k * before_s, from where that meets second_s + k * after_s on there."""

    first_s: float
    before_s: float
    second_s: float
    after_s: float

    @property
    def meet(self) -> float:
        return (self.second_s - self.first_s) / (self.before_s - self.after_s)

    def pulses(self, end_s: float) -> FloatArray:
        k = np.arange(max(int((end_s - self.second_s) / self.after_s), 1) + 2)
        return np.where(k <= self.meet, self.first_s + k * self.before_s, self.second_s + k * self.after_s)

    def settled(self, rise: FloatArray, rate: float, end_s: float) -> _Lines:
        """Each line moved by how late the attacks are along it, against those of the whole song."""
        pulses = self.pulses(end_s)
        lags = fold_lags(rise, rate, lambda t: np.interp(t, pulses, np.arange(len(pulses))), self.before_s)
        before = lags.time_s < self.first_s + self.meet * self.before_s
        trust = lags.weight**2 * lags.loud
        late = [float((lags.lag_s * trust)[s].sum() / (trust[s].sum() + 1e-12)) for s in (before, ~before)]
        return replace(self, first_s=self.first_s + late[0], second_s=self.second_s + late[1])


def _split(tempi: Tempogram) -> tuple[float, float, float] | None:
    """(time of the change, period before, period after), in s; a smaller change is taken for the likelier."""
    n = len(tempi.score)
    sums = np.cumsum(tempi.score, axis=0)
    size = WIDELY * np.abs(tempi.offsets[:, None] - tempi.offsets[None, :])
    best, found = float(sums[-1].max()) / n + SPLIT_GAIN, None
    for k in range(LEAST_WINDOWS, n - LEAST_WINDOWS + 1):
        before, after = sums[k - 1], sums[-1] - sums[k - 1]
        if (before.max() + after.max()) / n <= best:
            continue
        both = (before[:, None] + after[None, :]) / n - size
        if both.max() > best:
            best, found = float(both.max()), (k, *divmod(int(np.argmax(both)), both.shape[1]))
    if found is None:
        return None
    k, i, j = found
    if abs(tempi.offsets[i] - tempi.offsets[j]) < LEAST_STEP:
        return None
    near_s = float(tempi.times_s[k - 1] + tempi.times_s[k]) / 2
    return near_s, float(tempi.periods_s[i]), float(tempi.periods_s[j])


def _fitted(part: Onsets, period_s: float, other_s: float) -> tuple[float, float]:
    """The exact period of one side, and how much better its attacks cohere on it than on the other side's."""
    rise = fine_rise(part)
    exact, lags = fit_constant(part, rise, period_s)
    _, others = fit_constant(part, rise, other_s)
    return exact, lags.coherence - others.coherence


def _crossing(sides: Sides, near_s: float) -> float | None:
    """Where (s) the pulses of one period give way to those of another, near `near_s`.

    Pulse numbers are t / before_s before, and t / after_s less a constant after; they are equal there.
    """
    turn = float(np.argmax(sides.alike)) / BINS
    slope = 1.0 / sides.before_s - 1.0 / sides.after_s
    low, high = sorted(((near_s - NEAR_S) * slope + turn, (near_s + NEAR_S) * slope + turn))
    crossings = (np.arange(np.ceil(low), np.floor(high) + 1) - turn) / slope
    if len(crossings) == 0:
        return None
    return float(crossings[np.argmax(np.interp(crossings, sides.times_s, sides.for_before))])


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
