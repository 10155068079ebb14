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
from analyzers.model import Flag, LeadIn, Loudness, Signal
from analyzers.truepeak import Peaks

STEP_16 = 2.0**-15
FLAT = 1e-4  # samples of a plateau differ by less, of the ceiling
CORNER = 20.0  # two samples outside a plateau the signal has fallen by this many times FLAT
SHORTEST = 3  # samples
MANY_RUNS = 10  # plateaus that make it a warning ...
LONG_RUN_S = 0.0005  # ... or one of this length
SEARCH_BLOCK = 1 << 20
OFFSET_NOTE, OFFSET_WARNING = 0.1, 0.4  # % of full scale: -60 and -48 dBFS
LEANING_NOTE = 2.0  # % of full scale
LEAD_S = 0.02  # a lead-in shorter than this tells no offset
QUIET_LUFS, VERY_QUIET_LUFS, LOUD_LUFS = -33.0, -45.0, -6.0


@dataclass(frozen=True, slots=True)
class _Plateaus:
    first: int
    last: int
    count: int
    longest: int
    ceiling: float


def find_clipping(signal: Signal, peaks: Peaks, bit_depth: int | None) -> list[Flag]:
    """Plateaus at the extreme values of each channel, as one flag."""
    coarse = bit_depth is None or bit_depth <= 16
    searched = (
        _plateaus(signal.samples[:, channel], sign, ceiling, coarse)
        for channel in range(signal.channels)
        for sign, ceiling in ((1, peaks.highest[channel]), (-1, -peaks.lowest[channel]))
        if ceiling > 0.0
    )
    found = [one for one in searched if one is not None]
    if not found:
        return []
    runs, longest = sum(one.count for one in found), max(one.longest for one in found)
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


def _plateaus(column: npt.NDArray[np.float32], sign: int, ceiling: float, coarse: bool) -> _Plateaus | None:
    """Plateaus with corners at one extreme of one channel; None when there are none."""
    tolerance = max(FLAT * ceiling, 1.05 * STEP_16 if coarse else 0.0)
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
    return _Plateaus(int(first[0]), int(last[-1]), len(first), int((last - first).max()) + 1, ceiling)


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


def judge_offset(signal: Signal, stats: ChannelStats, lead_in: LeadIn) -> list[Flag]:
    """A constant offset, seen in the lead-in where there is one; else a waveform that leans to one side."""
    offset = _lead_offset(signal, lead_in)
    leaning = _leaning(stats)
    if offset is None:
        offset = leaning
    size = 100 * abs(offset)
    if size >= OFFSET_NOTE:
        return [
            Flag(
                code="dc-offset",
                severity="warning" if size >= OFFSET_WARNING else "note",
                text=f"Constant offset of {100 * offset:+.2f} % of full scale.",
                advice="Put a high-pass at 20 Hz on the track; edits click without it.",
                amount=100 * offset,
                unit="%",
            )
        ]
    if 100 * abs(leaning) >= LEANING_NOTE:
        return [
            Flag(
                code="leaning-waveform",
                severity="note",
                text=f"While it plays, the waveform leans by {100 * leaning:+.1f} % of full scale.",
                advice="A high-pass at 20 Hz wins headroom; fade the edges of edits.",
                amount=100 * leaning,
                unit="%",
            )
        ]
    return []


def _lead_offset(signal: Signal, lead_in: LeadIn) -> float | None:
    """Mean of the worse channel before the music; None when that is too short to tell."""
    frames = lead_in.first_sound_sample or 0
    if frames < LEAD_S * signal.rate:
        return None
    means = [float(channel[: frames // 2].mean(dtype=np.float64)) for channel in signal.samples.T]
    return max(means, key=abs)


def _leaning(stats: ChannelStats) -> float:
    """Offset that nine in ten seconds have at least, of the worse channel; 0 when they disagree."""
    low, high = np.percentile(stats.offset, [10, 90], axis=0)
    size = np.where(low > 0, low, np.where(high < 0, high, 0.0))
    return float(size[int(np.abs(size).argmax())])


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
