"""Loudness of a programme.

Question: how loud is it, how much does that vary, how high does it peak?
Sources: ITU-R BS.1770-5 Annex 1 (K-weighting, gating) and Annex 2 (true peak), EBU R 128,
EBU Tech 3341 V4 (momentary and short-term), EBU Tech 3342 V4 (loudness range).

Conventions: LUFS and LU; channels L R, or L R C Ls Rs with or without LFE in fourth place.
A mono file counts as one channel and so reads 3.01 LU below the same sound on two channels.
Filters at other rates than 48 kHz: bilinear transform of the same analogue sections (De Man,
"Evaluation of implementations of the EBU R128 loudness measurement", AES 145, 2018).

The signal is read once in blocks; energies of 10 ms are all that is kept, every window is a
sum of those. Momentary loudness is taken each 10 ms, as Tech 3341 case 13 needs.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analyzers.model import Loudness
from analyzers.signal.blockfilter import BLOCK, BlockFilter, Section
from analyzers.signal.features import Features
from analyzers.signal.samples import SampleArray, channel_blocks
from analyzers.signal.truepeak import Peaks

Float64Array = npt.NDArray[np.float64]

STEPS_PER_S = 100  # energies of 10 ms
MOMENTARY = 40  # steps: 400 ms
SHORT_TERM = 300  # steps: 3 s
GATE_STEP = 10  # steps: gating blocks and range values each 100 ms
ABSOLUTE_GATE_LUFS = -70.0
CURVE_POINTS = 300
FILTERED = 1024 * BLOCK  # frames filtered at once
SURROUND_WEIGHT = 1.41


def measure_loudness(features: Features) -> Loudness:
    """All loudness figures of one signal.

    Returns
    -------
    Loudness : integrated is None when nothing passes the gate of -70 LUFS (silence) or the
        signal is shorter than 400 ms; short-term and range are None below 3 s; peaks are None
        for digital silence.
    """
    energy = step_energies(features.signal.samples, features.signal.rate)
    return summarise(energy, features.peaks)


def summarise(energy: Float64Array, peaks: Peaks) -> Loudness:
    """Loudness figures from 10 ms energies (see `step_energies`) and the peaks."""
    momentary = window_means(energy, MOMENTARY)
    short_term = window_means(energy, SHORT_TERM)
    integrated = integrated_loudness(momentary[::GATE_STEP])
    true_peak = decibels(peaks.true_peak)
    return Loudness(
        integrated_lufs=integrated,
        max_momentary_lufs=_highest(momentary),
        max_short_term_lufs=_highest(short_term),
        range_lu=loudness_range(short_term[::GATE_STEP]),
        true_peak_dbtp=true_peak,
        sample_peak_dbfs=decibels(peaks.sample_peak),
        peak_to_loudness_lu=None if integrated is None or true_peak is None else true_peak - integrated,
        short_term_curve=_curve(short_term),
    )


def k_weighting(rate: int) -> tuple[Section, Section]:
    """(numerator, denominator) of the K-weighting's high shelf and high-pass at `rate` Hz."""
    k = math.tan(math.pi * 1681.974450955533 / rate)
    q, high = 0.7071752369554196, 10 ** (3.999843853973347 / 20)
    band = high**0.4996667741545416
    shelf_b = np.array([high + band * k / q + k * k, 2 * (k * k - high), high - band * k / q + k * k])
    shelf_a = np.array([1 + k / q + k * k, 2 * (k * k - 1), 1 - k / q + k * k])
    k = math.tan(math.pi * 38.13547087602444 / rate)
    q = 0.5003270373238773
    pass_a = np.array([1 + k / q + k * k, 2 * (k * k - 1), 1 - k / q + k * k])
    shelf = (shelf_b / shelf_a[0], shelf_a / shelf_a[0])
    return shelf, (np.array([1.0, -2.0, 1.0]), pass_a / pass_a[0])


def channel_weights(channels: int) -> Float64Array:
    """BS.1770-5 Table 3 for 5.0 and 5.1 in file order; other layouts count each channel once."""
    surround = {
        5: [1, 1, 1, SURROUND_WEIGHT, SURROUND_WEIGHT],
        6: [1, 1, 1, 0, SURROUND_WEIGHT, SURROUND_WEIGHT],
    }
    return np.array(surround.get(channels, [1.0] * channels), dtype=np.float64)


def step_energies(samples: SampleArray, rate: int) -> Float64Array:
    """Weighted mean square of the K-weighted channels in steps of 10 ms [shape=(steps,)].

    Steps start at sample round(k * rate / 100); an incomplete last step is dropped.
    """
    frames, channels = samples.shape
    weighting, weights = BlockFilter(k_weighting(rate), channels), channel_weights(channels)
    edges = np.rint(np.arange(int(frames * STEPS_PER_S / rate) + 2) * rate / STEPS_PER_S).astype(np.int64)
    edges = edges[edges <= frames]
    out = np.zeros(max(len(edges) - 1, 0))
    for start, block in channel_blocks(samples, size=FILTERED):
        weighted = weighting(block)
        first, last = np.searchsorted(edges, (start, start + block.shape[1]), side="right")
        np.square(weighted, out=weighted)
        # a step may begin in one block and end in the next; what follows the last edge is no step
        bounds = np.concatenate(([0], edges[first:last] - start)).astype(np.int64)
        ends = bounds[bounds < block.shape[1]]
        power = weights @ np.add.reduceat(weighted, ends, axis=1, dtype=np.float64)
        steps = power[: len(out) - first + 1]
        out[first - 1 : first - 1 + len(steps)] += steps
    return out / np.diff(edges) if len(out) else out


def window_means(energy: Float64Array, steps: int) -> Float64Array:
    """Mean of each complete run of `steps` energies [shape=(max(n - steps + 1, 0),)]."""
    if len(energy) < steps:
        return np.zeros(0)
    total = np.concatenate(([0.0], np.cumsum(energy)))
    means: Float64Array = np.maximum(total[steps:] - total[:-steps], 0.0) / steps
    return means


def lufs(mean_square: npt.ArrayLike) -> Float64Array:
    """BS.1770-5 equation 2; -inf for zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(-0.691 + 10 * np.log10(np.asarray(mean_square)), dtype=np.float64)


def _power(level_lufs: float) -> float:
    return float(10 ** ((level_lufs + 0.691) / 10))


def integrated_loudness(blocks: Float64Array) -> float | None:
    """Two-stage gated loudness of 400 ms blocks given each 100 ms (BS.1770-5 equations 3 to 7)."""
    loud = blocks[blocks > _power(ABSOLUTE_GATE_LUFS)]
    if len(loud) == 0:
        return None
    gated = loud[loud > 0.1 * loud.mean()]  # 10 LU below
    return float(lufs(gated.mean()))


def loudness_range(short_term: Float64Array) -> float | None:
    """Tech 3342: 95th minus 10th percentile of the gated 3 s values given each 100 ms."""
    loud = short_term[short_term >= _power(ABSOLUTE_GATE_LUFS)]
    if len(loud) == 0:
        return None
    gated = np.sort(loud[loud >= 0.01 * loud.mean()])  # 20 LU below
    low, high = (gated[math.floor((len(gated) - 1) * share + 0.5)] for share in (0.10, 0.95))
    return float(lufs(high) - lufs(low))


def decibels(magnitude: float) -> float | None:
    """20 log10, None for zero."""
    return 20 * math.log10(magnitude) if magnitude > 0 else None


def _highest(powers: Float64Array) -> float | None:
    top = float(powers.max()) if len(powers) else 0.0
    return float(lufs(top)) if top > 0 else None


def _curve(short_term: Float64Array) -> tuple[tuple[float, float], ...]:
    """Short-term loudness at the end of its window, thinned to CURVE_POINTS; not below -70 LUFS."""
    stride = max(1, -(-len(short_term) // CURVE_POINTS))
    levels = np.maximum(lufs(short_term[::stride]), ABSOLUTE_GATE_LUFS)
    return tuple(
        ((i * stride + SHORT_TERM) / STEPS_PER_S, round(float(level), 2)) for i, level in enumerate(levels)
    )
