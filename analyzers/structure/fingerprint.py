"""Is this the same music? A small description of a beat, one column a beat, and how to compare two.

Columns are counted in beats of a tempo folded into 80 to 160 BPM, so that a half- or double-time
reading, another start, level or mastering describe the same music alike. A column holds the twelve
pitch classes (0..15) and the attacks of four sixteenths in a low and a high band (0..3).
Comparison is a normalised cross-correlation over beats, each feature less its mean, so that a
common key or a constant hi-hat proves nothing (standard practice in cover and audio matching).
"""

from __future__ import annotations

import base64
import binascii
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import scipy  # loads scipy.fft where it is first used: who only reads reports does not pay for it

from analyzers.model import Grid
from analyzers.signal.samples import SampleArray, Signal, blocks_of

Floats = npt.NDArray[np.float32]

RATE = 11025  # Hz, roughly: the source's rate over a whole number
MOST_BEATS = 160
LEAST_BEATS = 24
FOLD_BPM = 80.0
PITCH_FRAME, PITCH_HOP = 2048, 512
ATTACK_FRAME, ATTACK_HOP = 256, 64
BLOCK = 1 << 14  # samples at `RATE`, and eight times as many in frames, worked on at once
PITCH_HZ = (100.0, 2000.0)
LOW_HZ, HIGH_HZ = 150.0, 2000.0
SAME_TEMPO = 0.003
FURTHEST = 64  # beats that one may start later than the other
SAME_PITCHES, SAME_ATTACKS = 0.65, 0.5
CANCELLED = 0.25  # share of the channels' mean power under which their mean has lost a part: set by hand


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """`code`: base64 of 8 bytes a beat. `start_s`: time of the first column's beat in the file."""

    bpm: float  # folded into [80, 160)
    start_s: float
    code: str


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike two are (0..1) when `later` starts `lag_beats` folded beats after `earlier`."""

    similarity: float
    lag_beats: int


def fingerprint(signal: Signal, grid: Grid) -> Fingerprint | None:
    """Describe at most the first `MOST_BEATS` beats; None without a grid or with too few beats."""
    if grid.tempo_bpm is None or not grid.beats_s:
        return None
    bpm = fold(grid.tempo_bpm)
    starts = _folded_beats(grid, bpm)[: MOST_BEATS + 1]
    if len(starts) <= LEAST_BEATS:
        return None
    mono, rate = _mono(signal, starts[0], starts[-1])
    edges = (np.asarray(starts) - starts[0]) * rate
    columns = np.hstack([_pitches(mono, rate, edges), _attacks(mono, rate, edges)])
    return Fingerprint(bpm, float(starts[0]), _encode(columns))


def fold(bpm: float) -> float:
    """The tempo brought into [80, 160) by doubling or halving."""
    return float(bpm * 2.0 ** -math.floor(math.log2(bpm / FOLD_BPM)))


def compare(earlier: Fingerprint, later: Fingerprint) -> Likeness | None:
    """How alike; None when tempo, notes or rhythm say that it is other music."""
    if abs(later.bpm / earlier.bpm - 1) > SAME_TEMPO:
        return None
    a, b = _decode(earlier.code), _decode(later.code)
    if min(len(a), len(b)) < LEAST_BEATS:
        return None
    scores = _correlation(a[:, :12], b[:, :12])
    place = int(np.argmax(scores))
    lag = place - (len(a) - 1)
    pitches = float(scores[place])
    if pitches < SAME_PITCHES:
        return None
    attacks = float(_correlation(a[:, 12:], b[:, 12:])[place])
    if attacks < SAME_ATTACKS:
        return None
    return Likeness(min(1.0, max(0.0, (pitches + attacks) / 2)), lag)


def is_other(earlier: Fingerprint | None, later: Fingerprint | None) -> bool:
    """Surely other music, at whatever tempo; where one of them is not known it may be the same."""
    if earlier is None or later is None:
        return False
    if min(len(_decode(one.code)) for one in (earlier, later)) < LEAST_BEATS:
        return False
    return compare(replace(earlier, bpm=later.bpm), later) is None


def _folded_beats(grid: Grid, bpm: float) -> list[float]:
    """Starts of the folded beats in the file."""
    assert grid.tempo_bpm is not None
    level = round(math.log2(bpm / grid.tempo_bpm))
    beats = list(grid.beats_s)
    if level < 0:
        one = min(range(len(beats)), key=lambda k: abs(beats[k] - (grid.bar_one_s or 0.0)))
        return beats[one % 2**-level :: 2**-level]
    for _ in range(level):
        between = [(a + b) / 2 for a, b in pairwise(beats)]
        beats = sorted([*beats, *between])
    return beats


def _mono(signal: Signal, start_s: float, end_s: float) -> tuple[Floats, float]:
    """One channel near `RATE` and its rate; means of neighbours are filter enough here."""
    first, last = (min(max(round(t * signal.rate), 0), signal.frames) for t in (start_s, end_s))
    step = max(1, round(signal.rate / RATE))
    last -= (last - first) % step
    means = partial(_neighbour_means, signal.samples, first, last, step)
    weights = np.full(signal.channels, 1 / signal.channels, np.float32)
    mixed, power = [np.zeros(0, np.float32)], np.zeros(signal.channels)
    for block in means():
        mixed.append(block @ weights)
        power += np.diag(block.T @ block)
    mono = np.concatenate(mixed)
    if float(np.dot(mono, mono)) < CANCELLED * float(power.mean()):
        mono = np.concatenate([block[:, int(np.argmax(power))] for block in means()])
    return mono, signal.rate / step


def _neighbour_means(samples: SampleArray, first: int, last: int, step: int) -> Iterator[Floats]:
    """Means of `step` neighbours in blocks [shape=(n, channels)]; what they need stays in the cache."""
    channels = samples.shape[1]
    weights = np.tile(np.eye(channels, dtype=np.float32) / np.float32(step), (step, 1))
    for block in blocks_of(samples, step * BLOCK, first, last):
        yield block.reshape(-1, step * channels) @ weights


def _spectra(mono: Floats, frame: int, hop: int) -> Iterator[Floats]:
    """Magnitudes of Hann-windowed frames centred on multiples of `hop`, in blocks [shape=(n, bins)]."""
    padded = np.pad(mono, frame // 2)
    views = np.lib.stride_tricks.sliding_window_view(padded, frame)[::hop]
    window = np.hanning(frame).astype(np.float32)
    for block in blocks_of(views, BLOCK * 8 // frame):
        yield np.abs(scipy.fft.rfft(block * window, axis=1))


def _means(values: Floats, edges: npt.NDArray[np.float64], hop: int) -> Floats:
    """Mean of rows between consecutive edges (samples), at least one row each."""
    at = np.clip(np.round(edges / hop).astype(int), 0, len(values) - 1)
    sums = np.vstack([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0, dtype=np.float64)])
    begin, end = at[:-1], np.maximum(at[1:], at[:-1] + 1)
    out: Floats = ((sums[end] - sums[begin]) / (end - begin)[:, None]).astype(np.float32)
    return out


def _pitches(mono: Floats, rate: float, edges: npt.NDArray[np.float64]) -> Floats:
    """Twelve pitch classes for each beat, the loudest 15 [shape=(beats, 12)]."""
    hertz = np.fft.rfftfreq(PITCH_FRAME, 1 / rate)
    used = (hertz >= PITCH_HZ[0]) & (hertz <= PITCH_HZ[1])
    classes = np.round(12 * np.log2(hertz[used] / 440.0) + 69).astype(int) % 12
    member = (classes[:, None] == np.arange(12)).astype(np.float32)
    blocks = _spectra(mono, PITCH_FRAME, PITCH_HOP)
    chroma = np.concatenate([np.sqrt(block[:, used]) @ member for block in blocks])
    beats = _means(chroma, edges, PITCH_HOP)
    beats = np.maximum(beats - beats.min(axis=1, keepdims=True), 0)
    top = beats.max(axis=1, keepdims=True)
    out: Floats = np.round(15 * beats / np.where(top > 0, top, 1)).astype(np.float32)
    return out


def _attacks(mono: Floats, rate: float, edges: npt.NDArray[np.float64]) -> Floats:
    """Rise of the level in each sixteenth, low and high band, 0..3 [shape=(beats, 8)]."""
    hertz = np.fft.rfftfreq(ATTACK_FRAME, 1 / rate)
    bands = np.stack([hertz <= LOW_HZ, hertz >= HIGH_HZ], axis=1).astype(np.float32)
    blocks = _spectra(mono, ATTACK_FRAME, ATTACK_HOP)
    powers = np.concatenate([np.square(block) @ bands for block in blocks])
    columns = []
    for power in powers.T:
        level = np.log1p(1e4 * power / max(float(power.max()), 1e-12))
        rise = np.maximum(np.diff(level, prepend=level[:1]), 0).astype(np.float32)
        columns.append(_strongest(rise, edges))
    out: Floats = np.hstack(columns)
    return out


def _strongest(rise: Floats, edges: npt.NDArray[np.float64]) -> Floats:
    """Summed rise around each sixteenth of each beat against the usual strong one [shape=(beats, 4)]."""
    steps = edges[:-1, None] + np.diff(edges)[:, None] * (np.arange(5) - 0.5) / 4
    at = np.clip(np.round(steps / ATTACK_HOP).astype(int), 0, len(rise))
    sums = np.concatenate([[0.0], np.cumsum(rise, dtype=np.float64)])
    amounts = sums[at[:, 1:]] - sums[at[:, :-1]]
    usual = float(np.percentile(amounts, 95)) or 1.0
    out: Floats = np.clip(np.round(3 * amounts / usual), 0, 3).astype(np.float32)
    return out


def _encode(columns: Floats) -> str:
    """[shape=(beats, 20)]: 12 values of 4 bits, 8 of 2 bits."""
    values = columns.astype(np.uint8)
    nibbles = (values[:, 0:12:2] << 4) | values[:, 1:12:2]
    quarters = sum(values[:, 12 + k :: 4] << (6 - 2 * k) for k in range(4))
    return base64.b64encode(np.hstack([nibbles, quarters]).astype(np.uint8).tobytes()).decode("ascii")


def _decode(code: str) -> Floats:
    """Columns of a code; empty when it is damaged."""
    try:
        data = np.frombuffer(base64.b64decode(code, validate=True), np.uint8)
    except (binascii.Error, ValueError):
        data = np.zeros(0, np.uint8)
    rows = data[: len(data) // 8 * 8].reshape(-1, 8)
    out = np.zeros((len(rows), 20), np.float32)
    out[:, 0:12:2], out[:, 1:12:2] = rows[:, :6] >> 4, rows[:, :6] & 15
    for k in range(4):
        out[:, 12 + k :: 4] = (rows[:, 6:] >> (6 - 2 * k)) & 3
    return out


def _correlation(a: Floats, b: Floats) -> npt.NDArray[np.float64]:
    """Normalised cross-correlation at each lag of b against a; -1 where they overlap too little.

    Entry k is lag k - (len(a) - 1): a[i] is compared with b[i + lag].
    """
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    size = scipy.fft.next_fast_len(len(a) + len(b) - 1, real=True)
    spectrum = np.conj(scipy.fft.rfft(a, size, axis=0)) * scipy.fft.rfft(b, size, axis=0)
    turned = scipy.fft.irfft(spectrum.sum(axis=1), size)
    products = np.concatenate([turned[size - len(a) + 1 :], turned[: len(b)]])
    lags = np.arange(-(len(a) - 1), len(b))
    begin, end = np.maximum(0, -lags), np.minimum(len(a), len(b) - lags)
    power_a = np.concatenate([[0.0], np.cumsum((a**2).sum(axis=1), dtype=np.float64)])
    power_b = np.concatenate([[0.0], np.cumsum((b**2).sum(axis=1), dtype=np.float64)])
    power = (power_a[end] - power_a[begin]) * (power_b[end + lags] - power_b[begin + lags])
    least = max(LEAST_BEATS, 0.5 * min(len(a), len(b)))
    fine = (end - begin >= least) & (np.abs(lags) <= FURTHEST) & (power > 1e-6)
    return np.where(fine, products / np.sqrt(np.where(fine, power, 1.0)), -1.0)
