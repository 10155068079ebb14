"""Dropouts: short runs of digital zero, or of one held value, in the middle of sounding music.

A musical pause decays into silence and starts again from silence. A dropout breaks off at full
level and comes back at full level, like the same music with a hole in it. A value that is held again and
again is no dropout but a ceiling: a part that was clipped before it was mixed, heard alone at that moment.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt

from analyzers.model import Flag
from analyzers.signal.samples import SEARCH_FRAMES, Floats, SampleArray, Signal, values_at
from analyzers.signal.truepeak import Peaks

STRIDE = 16  # every run of 2 * STRIDE equal samples holds two equal neighbours on this raster
SHORTEST_S = 0.0007
LONGEST_S = 0.15  # longer: a pause, or an effect, that somebody would have heard
AT_CEILING = 0.97  # of the channel's peak; nearer to it: clipped
SIDE_S = 0.005  # what is looked at on both sides
SOUNDING = 0.01  # RMS on both sides, of the channel's peak (-40 dB)
ABRUPT = 0.3  # the edge's largest sample, of the RMS beside it
EDGE = 6  # samples at an edge
COARSE = 2.0**-9  # steps of a word of 10 bits or fewer, which holds what hardly moves ...
STEPS = 2.5  # ... and is off a hole's edge by more steps than rounding makes, from one sample to the next
ALIKE = 4.0  # RMS before and after differ by no more (12 dB)
LISTED = 3
AGAIN = 3  # holds of one value are no chance


def find_dropouts(signal: Signal, peaks: Peaks) -> list[Flag]:
    """All dropouts of all channels, as one flag."""
    gaps: set[tuple[int, int]] = set()
    side = round(SIDE_S * signal.rate)
    for channel, runs in enumerate(_raster_runs(signal.samples)):
        ceiling = max(peaks.highest[channel], -peaks.lowest[channel])
        value = np.abs(values_at(signal.samples, channel, runs[:, 0])).astype(np.float64)
        likely = (value <= AT_CEILING * ceiling) & (np.diff(runs)[:, 0] / signal.rate <= LONGEST_S)
        held: dict[tuple[int, int], float] = {}
        for begin, end in runs[likely].tolist():
            at = max(begin - STRIDE - side, 0)
            column = signal.samples[at : end + STRIDE + side, channel]
            run = _equal_run(column, begin - at, end - at)
            if run and _is_dropout(column, *run, signal.rate, ceiling):
                held[run[0] + at, run[1] + at] = round(abs(float(column[run[0]])), 4)
        often = Counter(held.values())
        gaps.update(gap for gap, value in held.items() if value == 0.0 or often[value] < AGAIN)
    if not gaps:
        return []
    ordered = sorted(gaps)
    places = _merged(ordered, signal.rate)
    longest = max(last - first for first, last in ordered) / signal.rate * 1000
    return [
        Flag(
            code="dropout",
            severity="warning",
            text=f"Dropouts of up to {longest:.1f} ms.",
            advice="Listen there and ask for a new bounce.",
            start_s=places[0][0] / signal.rate,
            end_s=places[-1][1] / signal.rate,
            amount=float(len(places)),
            unit="places",
            places_s=tuple((first / signal.rate, end / signal.rate) for first, end in places[:LISTED]),
        )
    ]


def _merged(gaps: list[tuple[int, int]], rate: int) -> list[tuple[int, int]]:
    """Gaps of both channels at one moment are one place."""
    places: list[tuple[int, int]] = []
    for first, last in gaps:
        if places and first < places[-1][1] + 0.01 * rate:
            places[-1] = (places[-1][0], max(last, places[-1][1]))
        else:
            places.append((first, last))
    return places


def _raster_runs(samples: SampleArray) -> list[npt.NDArray[np.int64]]:
    """For each channel the first and one past the last of equal samples on the raster [shape=(runs, 2)]."""
    frames, channels = samples.shape
    equal = np.zeros((channels, -(-frames // STRIDE) + 1), np.bool_)  # to the one before on the raster
    last = samples[:1]
    for start in range(0, frames, SEARCH_FRAMES):
        part = np.concatenate((last, samples[start : start + SEARCH_FRAMES][::STRIDE]))
        last, at = part[-1:], start // STRIDE
        equal[:, at : at + len(part) - 1] = (part[1:] == part[:-1]).T
    equal[:, 0] = False
    edges = (np.flatnonzero(row[1:] != row[:-1]).reshape(-1, 2) for row in equal)
    return [pairs * STRIDE + np.array([0, 1]) for pairs in edges]


def _equal_run(column: Floats, first: int, last: int) -> tuple[int, int] | None:
    """The whole run of equal samples around [first, last); None when they differ or are too few."""
    value = column[first]
    if not (column[first:last] == value).all():
        return None
    while first > 0 and column[first - 1] == value:
        first -= 1
    while last < len(column) and column[last] == value:
        last += 1
    return (first, last) if last - first >= 2 * STRIDE else None


def _is_dropout(column: Floats, first: int, last: int, rate: int, ceiling: float) -> bool:
    length = (last - first) / rate
    value = abs(float(column[first]))
    side = round(SIDE_S * rate)
    if not SHORTEST_S <= length <= LONGEST_S or first < side or last + side > len(column):
        return False
    before, after = column[first - side : first], column[last : last + side]
    level_before, level_after = (float(np.sqrt(np.mean(np.square(x)))) for x in (before, after))
    if min(level_before, level_after) < SOUNDING * ceiling:
        return False
    if max(level_before, level_after) > ALIKE * min(level_before, level_after):
        return False
    hold, step = float(column[first]), _step(column)
    if step >= COARSE:
        return min(abs(float(before[-1]) - hold), abs(float(after[0]) - hold)) > STEPS * step
    leaves = float(np.abs(before[-EDGE:] - hold).max()) >= ABRUPT * level_before or value > 0
    returns = float(np.abs(after[:EDGE] - hold).max()) >= ABRUPT * level_after
    return leaves and returns


def _step(column: Floats) -> float:
    """The smallest difference of two neighbouring samples: a coarse word's step, next to nothing else."""
    steps = np.abs(np.diff(column))
    return float(steps.min(initial=1.0, where=steps > 0))
