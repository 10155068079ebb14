"""Powers, offsets and likeness of the channels, over all and by band.

The whole signal is summed in blocks of 50 ms; the bands come from short spectra taken each quarter
of a second, enough for a statement about a whole track at a small cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from analyzers.signal.samples import SampleArray

Float64Array = npt.NDArray[np.float64]

BLOCKS_PER_S = 20
SPECTRUM_FRAMES = 4096
SPECTRA_PER_S = 4
AT_ONCE = 32  # blocks, or spectra


@dataclass(frozen=True, slots=True, eq=False)
class ChannelStats:
    """Per block of 50 ms: `offset` [shape=(blocks, channels)] mean value, `product` [shape=(blocks,
    channels, channels)] mean product of two channels. `spectrum` [shape=(channels, bins)] mean power and
    `cross` [shape=(bins,)] real cross power of the first two channels, at `frequency` Hz [shape=(bins,)]."""

    offset: Float64Array
    product: Float64Array
    frequency: Float64Array
    spectrum: Float64Array
    cross: Float64Array

    @property
    def power(self) -> Float64Array:
        """Mean power of each channel [shape=(channels,)]."""
        return np.asarray(np.diagonal(self.product.mean(axis=0)), dtype=np.float64)


def channel_stats(samples: SampleArray, rate: int) -> ChannelStats:
    """Statistics of a signal [shape=(frames >= 1, channels)]; an incomplete last block is left out."""
    frames, channels = samples.shape
    size = min(max(1, rate // BLOCKS_PER_S), frames)
    blocks = frames // size
    offset = np.zeros((blocks, channels))
    product = np.zeros((blocks, channels, channels))
    for first in range(0, blocks, AT_ONCE):
        last = min(first + AT_ONCE, blocks)
        parts = np.ascontiguousarray(samples[first * size : last * size].T).reshape(channels, -1, size)
        offset[first:last] = parts.mean(axis=2).T
        for i, j in combinations_with_replacement(range(channels), 2):
            product[first:last, i, j] = np.einsum("bn,bn->b", parts[i], parts[j])
            product[first:last, j, i] = product[first:last, i, j]
    product /= size
    frequency, spectrum, cross = _spectra(samples, rate)
    return ChannelStats(offset, product, frequency, spectrum, cross)


def _spectra(samples: SampleArray, rate: int) -> tuple[Float64Array, Float64Array, Float64Array]:
    frames, channels = samples.shape
    size = SPECTRUM_FRAMES
    window = np.hanning(size).astype(np.float32)
    spectrum = np.zeros((channels, size // 2 + 1))
    cross = np.zeros(size // 2 + 1)
    starts = range(0, max(1, frames - size + 1), max(size, rate // SPECTRA_PER_S))
    for some in (starts[k : k + AT_ONCE] for k in range(0, len(starts), AT_ONCE)):
        part = np.zeros((len(some), channels, size), np.float32)
        for row, start in zip(part, some, strict=True):
            here = samples[start : start + size]
            row[:, : len(here)] = here.T
        bins = rfft(part * window, axis=2).view(np.float32)  # real and imaginary parts side by side
        spectrum += np.einsum("fcb,fcb->cb", bins, bins).reshape(channels, -1, 2).sum(axis=2)
        if channels > 1:
            cross += np.einsum("fb,fb->b", bins[:, 0], bins[:, 1]).reshape(-1, 2).sum(axis=1)
    scale = len(starts) * float(np.sum(window**2)) * size / 2
    frequency = np.asarray(np.fft.rfftfreq(size, 1 / rate), dtype=np.float64)
    return frequency, spectrum / scale, cross / scale
