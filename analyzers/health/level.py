"""Level faults: clipping, peaks over full scale, offset, a programme far too quiet or loud.

Clipping leaves plateaus: runs of samples at the highest (or lowest) value of the channel with a
corner at both ends. A smooth peak of a low note also has some nearly equal samples at its top,
but falls away from them as a parabola; the corner tells them apart. Clipping that happened
before a later gain sits below full scale and is found the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.level.loudness import decibels
from analyzers.model import Flag, Loudness
from analyzers.signal.channel_stats import ChannelStats
from analyzers.signal.samples import NEAR_FRAMES, SEARCH_FRAMES, Floats, SampleArray, Signal, values_at
from analyzers.signal.truepeak import BLOCK, OVER_DBTP, Peaks, SamplePeaks

STEP_16 = 2.0**-15
FLAT_16, FLAT = (
    1e-4,
    2e-5,
)  # samples of a plateau differ by less, of the ceiling: 16 bits with dither; finer words
CORNER = 20.0  # two samples outside a plateau the signal has fallen by this many times that
SHORTEST = 2  # samples; two may also be chance or a limiter, many twos are not
MANY_RUNS = 10  # plateaus that make it a warning ...
LONG_RUN_S = 0.0005  # ... or one of this length
LOW = 0.5  # of full scale: two equal samples at a ceiling so low are the top of a soft sound, however many
FEWEST_RUNS, SHORT_RUN = 3, 8  # fewer plateaus of three samples, none of so many: chance, or a soft limiter
OFFSET_NOTE, OFFSET_WARNING = 0.1, 0.4  # % of full scale: -60 and -48 dBFS
LEANING_NOTE = 2.0  # % of full scale
QUIET_BLOCKS = 4  # at least so many blocks of 50 ms tell the offset ...
QUIET_SWING = 0.002  # ... when the signal in them is this quiet (RMS), or the offset stands out of it
QUIET_LUFS, VERY_QUIET_LUFS, LOUD_LUFS = -33.0, -45.0, -6.0


Places = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Side:
    """One extreme of one channel: `sign` 1 for its highest value, -1 for its lowest."""

    channel: int
    sign: int
    ceiling: float
    tolerance: float

    def reached(self, column: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
        level = np.float32(self.sign * (self.ceiling - self.tolerance))
        return column >= level if self.sign > 0 else column <= level


@dataclass(frozen=True, slots=True)
class _Plateaus:
    first: int
    last: int
    count: int
    of_three: int  # those of three samples or more
    longest: int
    ceiling: float


def find_clipping(signal: Signal, peaks: SamplePeaks, bit_depth: int | None) -> list[Flag]:
    """Plateaus at the extreme values of each channel, as one flag."""
    short = bit_depth is not None and bit_depth <= 16
    sides = [
        _Side(channel, sign, ceiling, max(FLAT_16 * ceiling, 1.05 * STEP_16) if short else FLAT * ceiling)
        for channel in range(signal.channels)
        for sign, ceiling in ((1, peaks.highest[channel]), (-1, -peaks.lowest[channel]))
        if ceiling > 0.0
    ]
    runs_of = ((side, _runs_at_ceiling(signal.samples, side, peaks.largest[side.channel])) for side in sides)
    found = [one for side, runs in runs_of if (one := _plateaus(signal.samples, side, *runs)) is not None]
    found = [one for one in found if one.longest > SHORTEST or one.ceiling >= LOW]
    runs, longest = sum(one.count for one in found), max((one.longest for one in found), default=0)
    if sum(one.of_three for one in found) < FEWEST_RUNS and longest < SHORT_RUN and runs < MANY_RUNS:
        return []
    severe = runs >= MANY_RUNS or longest >= LONG_RUN_S * signal.rate
    top = max(one.ceiling for one in found)
    where = "full scale" if abs(top - 1) < 2 * STEP_16 else f"{decibels(top):.1f} dBFS"
    places = "place" if runs == 1 else "places"
    return [
        Flag(
            code="clipping",
            severity="warning" if severe else "note",
            text=f"Clipped in {runs} {places}, up to {longest} samples long, at {where}.",
            advice="Ask for an unclipped bounce; turning it down does not undo it.",
            start_s=min(one.first for one in found) / signal.rate,
            end_s=max(one.last for one in found) / signal.rate,
            amount=float(runs),
            unit="places",
        )
    ]


def _runs_at_ceiling(samples: SampleArray, side: _Side, largest: Floats) -> tuple[Places, Places]:
    """The first and the last frame of all runs near the ceiling; runs of one are left out.

    `largest` : largest magnitude of each `BLOCK` samples of the channel: the others need no look
    """
    loud = np.flatnonzero(side.reached(side.sign * largest))
    parts = [(np.zeros(0, np.int64), np.zeros(0, np.int64))]
    for some in np.split(loud, np.flatnonzero(np.diff(loud) * BLOCK > NEAR_FRAMES) + 1) if len(loud) else ():
        end, blocks = int(some[-1]) + 1, max(SEARCH_FRAMES // BLOCK, 1)
        for first in range(int(some[0]), end, blocks):
            start, stop = first * BLOCK, min(min(first + blocks, end) * BLOCK, len(samples))
            near = np.flatnonzero(side.reached(samples[start:stop, side.channel])) + start
            parts.append(_runs(near, keep=(start, stop - 1)))
    return _joined(parts)


def _runs(near: Places, keep: tuple[int, int]) -> tuple[Places, Places]:
    """Runs of neighbours; those of one only at the edges of what was read, where they may go on."""
    edges = np.flatnonzero(np.diff(near) > 1)
    first, last = near[np.append(0, edges + 1)[: len(near)]], near[np.append(edges, -1)[: len(near)]]
    used = (last > first) | (first == keep[0]) | (last == keep[1])
    return first[used], last[used]


def _joined(parts: list[tuple[Places, Places]]) -> tuple[Places, Places]:
    """Runs that a block's edge cut are one; long enough ones only."""
    first, last = (np.concatenate(side) for side in zip(*parts, strict=True))
    cut = first[1:] == last[:-1] + 1
    first, last = first[np.append(True, ~cut)[: len(first)]], last[np.append(~cut, True)[: len(last)]]
    long = last - first + 1 >= SHORTEST
    return first[long], last[long]


def _plateaus(samples: SampleArray, side: _Side, first: Places, last: Places) -> _Plateaus | None:
    """Those of the runs that have corners at both ends; None when there are none."""
    limit = side.ceiling - CORNER * side.tolerance
    before = side.sign * values_at(samples, side.channel, np.maximum(first - 2, 0))
    after = side.sign * values_at(samples, side.channel, np.minimum(last + 2, len(samples) - 1))
    sharp = (before < limit) & (after < limit)
    first, last = first[sharp], last[sharp]
    if len(first) == 0:
        return None
    length = last - first + 1
    return _Plateaus(
        first=int(first[0]),
        last=int(last[-1]),
        count=len(first),
        of_three=int((length >= 3).sum()),
        longest=int(length.max()),
        ceiling=side.ceiling,
    )


def judge_peaks(signal: Signal, peaks: Peaks) -> list[Flag]:
    """Peaks over full scale, of the samples or between them: a note with the highest place."""
    at = peaks.true_peak_frame / signal.rate
    over, true = decibels(peaks.sample_peak) or 0.0, decibels(peaks.true_peak) or 0.0
    if over > 0.001:
        return [
            Flag(
                code="over-full-scale",
                severity="note",
                text=f"Sample peaks reach {over:+.1f} dBFS, true peak {true:+.1f} dBTP.",
                advice="Turn it down before any fixed-point stage; it would clip there.",
                start_s=at,
                amount=over,
                unit="dBFS",
            )
        ]
    if true > OVER_DBTP:
        return [
            Flag(
                code="inter-sample-over",
                severity="note",
                text=f"Between the samples the peaks reach {true:+.1f} dBTP.",
                advice="Leave at least that much headroom in converters and lossy encoders.",
                start_s=at,
                amount=true,
                unit="dBTP",
            )
        ]
    return []


def judge_offset(stats: ChannelStats) -> list[Flag]:
    """A constant offset where the music is quietest; else a waveform that leans to one side all along."""
    offset, leaning = _quiet_offset(stats), _leaning(stats)
    if offset is None and abs(leaning) >= LEANING_NOTE:
        offset = leaning
    if offset is not None and abs(offset) >= OFFSET_NOTE:
        return [
            Flag(
                code="dc-offset",
                severity="warning" if abs(offset) >= OFFSET_WARNING else "note",
                text=f"Constant offset of {offset:+.2f} % of full scale.",
                advice="Put a high-pass at 20 Hz on the track; edits click without it.",
                amount=offset,
                unit="%",
            )
        ]
    if abs(leaning) >= LEANING_NOTE:
        return [
            Flag(
                code="leaning-waveform",
                severity="note",
                text=f"While it plays, the waveform leans by {leaning:+.1f} % of full scale.",
                advice="A high-pass at 20 Hz wins headroom; fade the edges of edits.",
                amount=leaning,
                unit="%",
            )
        ]
    return []


def _quiet_offset(stats: ChannelStats) -> float | None:
    """Offset in % of the worse channel in its quietest blocks; None where those are too loud to tell."""
    found = []
    for channel in range(stats.offset.shape[1]):
        mean = stats.offset[:, channel]
        swing = np.sqrt(np.maximum(stats.product[:, channel, channel] - mean**2, 0))
        quietest = np.argsort(swing, kind="stable")[: max(QUIET_BLOCKS, len(swing) // 100)]
        if np.median(swing[quietest]) <= max(QUIET_SWING, 3 * abs(np.median(mean[quietest]))):
            found.append(100 * float(np.median(mean[quietest])))
    return max(found, key=abs, default=None)


def _leaning(stats: ChannelStats) -> float:
    """Offset in % that nine in ten blocks have at least, of the worse channel; 0 when they disagree."""
    low, high = np.percentile(stats.offset, [10, 90], axis=0)
    size = np.where(low > 0, low, np.where(high < 0, high, 0.0))
    return 100 * float(size[int(np.abs(size).argmax())])


def judge_level(loudness: Loudness) -> list[Flag]:
    """A programme far from any working level."""
    level = loudness.integrated_lufs
    if level is None:
        return []
    if level > LOUD_LUFS:
        return [
            Flag(
                code="very-loud",
                severity="note",
                text=f"Very loud: {level:.1f} LUFS.",
                advice="Turn the monitors down before playing; follow the studio's hearing rules.",
                amount=level,
                unit="LUFS",
            )
        ]
    if level < QUIET_LUFS:
        return [
            Flag(
                code="very-quiet",
                severity="warning" if level < VERY_QUIET_LUFS else "note",
                text=f"Very quiet: {level:.1f} LUFS.",
                advice="Check that this is the right bounce; raising it raises its noise too.",
                amount=level,
                unit="LUFS",
            )
        ]
    return []
