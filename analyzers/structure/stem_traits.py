"""A small description of one file among several, to tell the stems of a song from separate beats.

Everything is cheap on purpose: the levels of 10 ms blocks over the whole file, and the spectrum of at most
`MOST_FRAMES` short frames at instants that all files of a set share.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import scipy.fft

from analyzers.signal.samples import SampleArray, blocks_of

Floats = npt.NDArray[np.float32]

BLOCK_S = 0.01
MOST_FRAMES, STEP_S = 256, 0.25
WINDOW = 4096  # samples of the signal after `THINNED` of them became one
THINNED_HZ = 11025.0
BAND_EDGES_HZ = (30.0, 90.0, 180.0, 350.0, 700.0, 1400.0, 2800.0)
HIGH_EDGES_HZ = (2800.0, 5600.0, 9500.0, 16000.0)
HIGH_WINDOW = 1024
PITCH_HZ = (100.0, 2000.0)
FLOOR = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Traits:
    """One file on the clock of its set.

    level : of each 10 ms, dB, at least 50 dB below the loudest [shape=(blocks,)]
    bands : power in each band at the shared instants [shape=(instants, 9)]
    chroma : share of each pitch class at the same instants, rows of silence are 0 [shape=(instants, 12)]
    """

    frames: int
    duration_s: float
    level: Floats
    bands: Floats
    chroma: Floats

    @property
    def attacks(self) -> Floats:
        """Rise of the level in each 10 ms, dB [shape=(blocks,)]."""
        return attacks_of(self.level)

    @property
    def silent(self) -> bool:
        return not self.level.any()


def attacks_of(level: Floats) -> Floats:
    """Rise of the level in each 10 ms, dB [shape=(blocks,)]."""
    if not len(level):
        return level
    out: Floats = np.maximum(np.diff(level, prepend=level[:1]), 0.0)
    return out


def level_of(samples: SampleArray, rate: int) -> Floats:
    """Level of each 10 ms, dB, at least 50 dB below the loudest [shape=(blocks,)]."""
    return _in_db(_levels(samples, max(1, round(BLOCK_S * rate))))


def traits_of(samples: SampleArray, rate: int, longest_s: float) -> Traits:
    """Describe one file [shape=(frames, channels)]; ``longest_s``: length of the longest file of the set."""
    bands, chroma = _spectra(samples, rate, longest_s)
    return Traits(len(samples), len(samples) / rate, level_of(samples, rate), bands, chroma)


def _levels(samples: SampleArray, size: int) -> npt.NDArray[np.float64]:
    """Mean power of each block."""
    channels = samples.shape[1]
    found = []
    for block in blocks_of(samples, size * 128):
        whole = len(block) // size * size
        parts = np.ascontiguousarray(block[:whole]).reshape(-1, size * channels)
        found.append(np.einsum("ij,ij->i", parts, parts) / (size * channels))
    return np.concatenate(found).astype(np.float64) if found else np.zeros(0)


def _in_db(power: npt.NDArray[np.float64]) -> Floats:
    """What lies 50 dB below the loudest counts as silence."""
    if not power.any():
        return np.zeros(len(power), np.float32)
    level = 10 * np.log10(np.maximum(power, power.max() * 1e-5))
    out: Floats = level.astype(np.float32)
    return out


def _spectra(samples: SampleArray, rate: int, longest_s: float) -> tuple[Floats, Floats]:
    thin, channels = max(1, round(rate / THINNED_HZ)), samples.shape[1]
    span = WINDOW * thin
    step = max(STEP_S, longest_s / MOST_FRAMES)
    starts = (np.arange(max(1, int(longest_s / step))) * step * rate).astype(int)
    low, high = np.zeros((len(starts), WINDOW), np.float32), np.zeros((len(starts), HIGH_WINDOW), np.float32)
    mean_of_several = np.full(thin * channels, 1 / (thin * channels), np.float32)
    for k, start in enumerate(starts):
        part = np.ascontiguousarray(samples[int(start) : int(start) + span])
        if len(part) == span:
            low[k] = part.reshape(WINDOW, thin * channels) @ mean_of_several
            middle = part[span // 2 : span // 2 + HIGH_WINDOW]
            high[k] = middle @ mean_of_several[:channels] * thin
    under, over = _power(low), _power(high)
    bands = np.hstack(
        [
            _sums(under, rate / thin, WINDOW, BAND_EDGES_HZ) / (WINDOW * WINDOW),
            _sums(over, rate, HIGH_WINDOW, HIGH_EDGES_HZ)
            / (HIGH_WINDOW * HIGH_WINDOW)
            * (HIGH_WINDOW / WINDOW / thin),
        ]
    )
    return bands.astype(np.float32), _chroma(under, rate / thin)


def _power(frames: Floats) -> Floats:
    spectrum = scipy.fft.rfft(frames * np.hanning(frames.shape[1]).astype(np.float32), axis=1)
    out: Floats = spectrum.real**2 + spectrum.imag**2
    return out


def _sums(power: Floats, rate: float, window: int, edges: tuple[float, ...]) -> Floats:
    bins = np.round(np.array(edges) * window / rate).astype(int)
    inside = np.zeros((power.shape[1], len(bins) - 1), np.float32)
    for band, (first, last) in enumerate(pairwise(bins)):
        inside[first:last, band] = 1.0
    out: Floats = power @ inside
    return out


def _chroma(power: Floats, rate: float) -> Floats:
    hertz = np.fft.rfftfreq(WINDOW, 1 / rate)
    used = (hertz >= PITCH_HZ[0]) & (hertz <= PITCH_HZ[1])
    classes = np.round(12 * np.log2(hertz[used] / 440.0) + 69).astype(int) % 12
    weights = np.zeros((len(classes), 12), np.float32)
    weights[np.arange(len(classes)), classes] = 1.0
    found = np.sqrt(power[:, used]) @ weights
    total = found.sum(axis=1, keepdims=True)
    out: Floats = np.where(
        total > 1e-4 * max(float(total.max()), FLOOR), found / np.maximum(total, FLOOR), 0.0
    )
    return out
