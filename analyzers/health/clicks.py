"""Clicks: one to three samples that stand out of the waveform and are no attack.

What sounds goes on: after an attack the waveform is rougher than before it, and a step (a saw, a cut) does
not come back. A click is back at once, on a waveform as smooth as before. Usual in restoration: a sample is
held against those beside it, by the roughness of its neighbourhood (Godsill and Rayner, Digital Audio
Restoration, 1998). Many small ones all along are the crackle of a record, and wanted.
"""

from __future__ import annotations

from functools import reduce

import numpy as np

from analyzers.model import Flag
from analyzers.signal.onsets import Onsets
from analyzers.signal.samples import Floats, Signal
from analyzers.signal.truepeak import Peaks

CELL = 64  # samples looked at together
LONGEST = 3  # samples of a click
STANDS_OUT = 20.0  # its height, of the mean roughness around it ...
ALONE = 8.0  # ... and of the roughest sample on either side of it
HEARD = 0.1  # of the channel's peak (-20 dB) it is high ...
HALF = 0.5  # ... and off the line between its neighbours by so much of that
SIDE = 220  # samples on either side, 5 ms at 44.1 kHz
APART = 6  # samples from a click that belong to it
NO_ATTACK = 2.0  # times as rough after it as before, or the other way round
CRACKLE_S = 2.0  # clicks a second, or more, are a record's
NEAR_S = 0.005  # clicks so near are one place
LISTED = 3
BRIGHTER_DB = 6.0  # a click is, of what is around it, even where it is in one channel of two


def find_clicks(signal: Signal, peaks: Peaks, onsets: Onsets) -> list[Flag]:
    """All clicks of all channels, as one flag; none where they are as many as in a record's crackle.

    onsets : of the signal; only where they have a lone bright moment a click is looked for
    """
    found: set[int] = set()
    context = SIDE + APART
    ceilings = [max(high, -low) for high, low in zip(peaks.highest, peaks.lowest, strict=True)]
    for start, stop in _bright_moments(onsets, signal):
        first, last = start - context, stop + context
        block = signal.samples[max(first, 0) : last]
        if len(block) < last - first:  # at an end of the signal
            block = np.pad(block, ((max(-first, 0), max(last - signal.frames, 0)), (0, 0)))
        columns = np.ascontiguousarray(block.T)
        roughness = np.abs(columns[:, 1:-1] - 0.5 * (columns[:, :-2] + columns[:, 2:]))  # k: of sample k + 1
        for column, rough, ceiling in zip(columns, roughness, ceilings, strict=True):
            if rough.max() > HALF * HEARD * ceiling:
                found.update(start + at for at in _clicks(column, rough, HEARD * ceiling))
    places: list[int] = []
    for at in sorted(found):
        if not places or at - places[-1] > NEAR_S * signal.rate:
            places.append(at)
    if not places or len(places) > CRACKLE_S * signal.duration_s:
        return []
    seconds = [at / signal.rate for at in places]
    return [
        Flag(
            code="click",
            severity="warning",
            text="A click." if len(places) == 1 else "Clicks.",
            advice="Listen there: ask for a new bounce, unless it is the crackle of a record.",
            start_s=seconds[0],
            end_s=seconds[-1],
            amount=float(len(places)),
            unit="places",
            places_s=tuple((at_s, at_s) for at_s in seconds[:LISTED]),
        )
    ]


def _bright_moments(onsets: Onsets, signal: Signal) -> list[tuple[int, int]]:
    """Frames [start, stop) around each block of the fine curve of differences that stands out of those on
    either side, as far as a click is held against them."""
    bright, size = onsets.fine_high, signal.rate / onsets.fine_rate
    reach = max(round(SIDE / size), 3)
    padded = np.pad(bright, reach, constant_values=-np.inf)
    last = len(padded) - reach + 2
    highest = reduce(np.maximum, (padded[k : last + k] for k in range(reach - 1)))  # at k: k - reach to k - 2
    beside = np.maximum(highest[: len(bright)], highest[reach + 2 : reach + 2 + len(bright)])
    starts = np.flatnonzero(bright > beside + BRIGHTER_DB) * size
    return [(max(int(at) - LONGEST, 0), min(int(at + size) + LONGEST, signal.frames)) for at in starts]


def _clicks(x: Floats, rough: Floats, least: float) -> list[int]:
    """Frames of the block (without its context) where a click begins; `rough` is how far each of its samples
    but the first and the last is off the line between its neighbours."""
    begin, end = SIDE + APART, len(x) - SIDE - APART
    cells = rough[: len(rough) // CELL * CELL].reshape(-1, CELL)
    highest = cells.max(axis=1)
    mean = cells.mean(axis=1)
    likely = np.flatnonzero((highest > HALF * least) & (highest > 6.0 * mean))
    found: list[int] = []
    for cell in likely.tolist():
        at = cell * CELL + int(cells[cell].argmax()) + 1
        for first in range(max(at - LONGEST, begin), min(at + 2, end)):
            if (found and first - found[-1] <= APART) or not _is_click(x, rough, first, least):
                continue
            found.append(first)
    return [at - begin for at in found]


def _is_click(x: Floats, rough: Floats, first: int, least: float) -> bool:
    around = x[first - 1 : first + LONGEST + 1].tolist()
    for length in range(1, LONGEST + 1):
        left, right = around[0], around[length + 1]
        height = min(abs(value - 0.5 * (left + right)) for value in around[1 : length + 1])
        if height < least or abs(right - left) > 0.5 * height:
            continue
        before = rough[first - APART - SIDE : first - APART]
        after = rough[first + length + APART : first + length + APART + SIDE]
        low, high = sorted((float(before.mean()), float(after.mean())))
        alone = height > ALONE * max(float(before.max()), float(after.max()))
        if alone and height > STANDS_OUT * high and high <= NO_ATTACK * low:
            return True
    return False
