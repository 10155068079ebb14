"""Dropouts: short runs of digital zero, or of one held value, in the middle of sounding music.

A musical pause decays into silence and starts again from silence. A dropout breaks off at full
level and comes back at full level, like the same music with a hole in it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.model import Flag, Signal
from analyzers.truepeak import Peaks

Column = npt.NDArray[np.float32]

STRIDE = 16  # every run of 2 * STRIDE equal samples holds two equal neighbours on this raster
SHORTEST_S = 0.0007
LONGEST_S = 0.15  # longer: a pause, or an effect, that somebody would have heard
SIDE_S = 0.005  # what is looked at on both sides
SOUNDING = 0.01  # RMS on both sides, of the channel's peak (-40 dB)
ABRUPT = 0.3  # the edge's largest sample, of the RMS beside it
EDGE = 6  # samples at an edge
ALIKE = 4.0  # RMS before and after differ by no more (12 dB)
LISTED = 3


def find_dropouts(signal: Signal, peaks: Peaks) -> list[Flag]:
    """All dropouts of all channels, as one flag."""
    gaps: set[tuple[int, int]] = set()
    for channel in range(signal.channels):
        column = signal.samples[:, channel]
        ceiling = max(peaks.highest[channel], -peaks.lowest[channel])
        for first, last in _equal_runs(column):
            if _is_dropout(column, first, last, signal.rate, ceiling):
                gaps.add((first, last))
    if not gaps:
        return []
    ordered = sorted(gaps)
    places = _merged(ordered, signal.rate)
    longest = max(last - first for first, last in ordered) / signal.rate * 1000
    times = ", ".join(f"{first / signal.rate:.2f} s" for first, _ in places[:LISTED])
    more = f" and {len(places) - LISTED} more" if len(places) > LISTED else ""
    return [
        Flag(
            code="dropout",
            severity="warning",
            text=f"Dropouts of up to {longest:.1f} ms at {times}{more}.",
            advice="Listen there and ask for a new bounce.",
            start_s=places[0][0] / signal.rate,
            end_s=places[-1][1] / signal.rate,
            amount=float(len(places)),
            unit="places",
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


def _equal_runs(column: Column) -> list[tuple[int, int]]:
    """(first, one past the last) of all runs of at least 2 STRIDE equal samples."""
    raster = np.ascontiguousarray(column[::STRIDE])
    equal = np.concatenate(([False], raster[1:] == raster[:-1], [False]))
    edges = np.flatnonzero(np.diff(equal.astype(np.int8)))
    runs = []
    for begin, end in edges.reshape(-1, 2):
        first, last = int(begin) * STRIDE, min(int(end) * STRIDE + 1, len(column))
        value = column[first]
        inside = column[first:last]
        if not (inside == value).all():
            continue
        while first > 0 and column[first - 1] == value:
            first -= 1
        while last < len(column) and column[last] == value:
            last += 1
        if last - first >= 2 * STRIDE:
            runs.append((first, last))
    return runs


def _is_dropout(column: Column, first: int, last: int, rate: int, ceiling: float) -> bool:
    length = (last - first) / rate
    value = abs(float(column[first]))
    side = round(SIDE_S * rate)
    if (
        not SHORTEST_S <= length <= LONGEST_S
        or value > 0.97 * ceiling
        or first < side
        or last + side > len(column)
    ):
        return False
    before, after = column[first - side : first], column[last : last + side]
    level_before, level_after = (float(np.sqrt(np.mean(np.square(x)))) for x in (before, after))
    if min(level_before, level_after) < SOUNDING * ceiling:
        return False
    if max(level_before, level_after) > ALIKE * min(level_before, level_after):
        return False
    hold = float(column[first])
    leaves = float(np.abs(before[-EDGE:] - hold).max()) >= ABRUPT * level_before or value > 0
    returns = float(np.abs(after[:EDGE] - hold).max()) >= ABRUPT * level_after
    return leaves and returns
