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

from analyzers.channelstats import ChannelStats
from analyzers.loudness import decibels
from analyzers.model import Flag, Loudness, Signal
from analyzers.truepeak import Peaks

STEP_16 = 2.0**-15
FLAT_16, FLAT = (
    1e-4,
    2e-5,
)  # samples of a plateau differ by less, of the ceiling: 16 bits with dither; finer words
CORNER = 20.0  # two samples outside a plateau the signal has fallen by this many times that
SHORTEST = 2  # samples; two may also be chance or a limiter, many twos are not
MANY_RUNS = 10  # plateaus that make it a warning ...
LONG_RUN_S = 0.0005  # ... or one of this length
FEWEST_RUNS, SHORT_RUN = 3, 8  # fewer plateaus of three samples, none of so many: chance, or a soft limiter
SEARCH_BLOCK = 1 << 20
OFFSET_NOTE, OFFSET_WARNING = 0.1, 0.4  # % of full scale: -60 and -48 dBFS
LEANING_NOTE = 2.0  # % of full scale
QUIET_BLOCKS = 4  # at least so many blocks of 50 ms tell the offset ...
QUIET_SWING = 0.002  # ... when the signal in them is this quiet (RMS), or the offset stands out of it
QUIET_LUFS, VERY_QUIET_LUFS, LOUD_LUFS = -33.0, -45.0, -6.0


@dataclass(frozen=True, slots=True)
class _Plateaus:
    first: int
    last: int
    count: int
    of_three: int  # those of three samples or more
    longest: int
    ceiling: float


def find_clipping(signal: Signal, peaks: Peaks, bit_depth: int | None) -> list[Flag]:
    """Plateaus at the extreme values of each channel, as one flag."""
    flat = FLAT_16 if bit_depth is not None and bit_depth <= 16 else FLAT
    searched = (
        _plateaus(signal.samples[:, channel], sign, ceiling, flat)
        for channel in range(signal.channels)
        for sign, ceiling in ((1, peaks.highest[channel]), (-1, -peaks.lowest[channel]))
        if ceiling > 0.0
    )
    found = [one for one in searched if one is not None]
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


def _plateaus(column: npt.NDArray[np.float32], sign: int, ceiling: float, flat: float) -> _Plateaus | None:
    """Plateaus with corners at one extreme of one channel; None when there are none."""
    tolerance = max(flat * ceiling, 1.05 * STEP_16 if flat == FLAT_16 else 0.0)
    near = _near_ceiling(column, sign, ceiling - tolerance)
    edges = np.flatnonzero(np.diff(near) > 1)
    first = near[np.concatenate(([0], edges + 1))]
    last = near[np.concatenate((edges, [len(near) - 1]))]
    long = last - first + 1 >= SHORTEST
    first, last = first[long], last[long]
    limit = ceiling - CORNER * tolerance
    before = sign * column[np.maximum(first - 2, 0)]
    after = sign * column[np.minimum(last + 2, len(column) - 1)]
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
        ceiling=ceiling,
    )


def _near_ceiling(column: npt.NDArray[np.float32], sign: int, level: float) -> npt.NDArray[np.int64]:
    parts = []
    for start in range(0, len(column), SEARCH_BLOCK):
        block = column[start : start + SEARCH_BLOCK]
        hit = block >= np.float32(level) if sign > 0 else block <= np.float32(-level)
        parts.append(np.flatnonzero(hit) + start)
    return np.concatenate(parts)


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
    if true > 0.05:
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
