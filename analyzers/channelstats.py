"""Powers, offsets and likeness of the channels, over all and by band.

The whole signal is summed second by second; the bands come from short spectra taken each quarter
of a second, enough for a statement about a whole track at a small cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float64Array = npt.NDArray[np.float64]

SPECTRUM_FRAMES = 4096
SPECTRA_PER_S = 4


@dataclass(frozen=True, slots=True, eq=False)
class ChannelStats:
    """Per second: `offset` [shape=(seconds, channels)] mean value, `product` [shape=(seconds, channels,
    channels)] mean product of two channels. `spectrum` [shape=(channels, bins)] mean power and `cross`
    [shape=(bins,)] real cross power of the first two channels, at `frequency` Hz [shape=(bins,)]."""

    offset: Float64Array
    product: Float64Array
    frequency: Float64Array
    spectrum: Float64Array
    cross: Float64Array

    @property
    def power(self) -> Float64Array:
        """Mean power of each channel [shape=(channels,)]."""
        return np.asarray(np.diagonal(self.product.mean(axis=0)), dtype=np.float64)


def channel_stats(samples: npt.NDArray[np.float32], rate: int) -> ChannelStats:
    """Statistics of a signal [shape=(frames >= 1, channels)]; a last part of under a second counts as one."""
    frames, channels = samples.shape
    seconds = max(1, round(frames / rate))
    offset = np.zeros((seconds, channels))
    product = np.zeros((seconds, channels, channels))
    ones = np.ones(rate + rate, dtype=np.float32)
    for k in range(seconds):
        part = samples[k * rate : (k + 1) * rate if k + 1 < seconds else frames]
        offset[k] = ones[: len(part)] @ part / len(part)
        product[k] = part.T @ part / len(part)
    frequency, spectrum, cross = _spectra(samples, rate)
    return ChannelStats(offset, product, frequency, spectrum, cross)


def _spectra(samples: npt.NDArray[np.float32], rate: int) -> tuple[Float64Array, Float64Array, Float64Array]:
    frames, channels = samples.shape
    size = SPECTRUM_FRAMES
    window = np.hanning(size).astype(np.float32)
    spectrum = np.zeros((channels, size // 2 + 1))
    cross = np.zeros(size // 2 + 1)
    starts = range(0, max(1, frames - size + 1), max(size, rate // SPECTRA_PER_S))
    for start in starts:
        part = samples[start : start + size]
        if len(part) < size:
            part = np.pad(part, ((0, size - len(part)), (0, 0)))
        bins = np.fft.rfft(part.T * window, axis=1)
        spectrum += bins.real**2 + bins.imag**2
        if channels > 1:
            cross += bins[0].real * bins[1].real + bins[0].imag * bins[1].imag
    scale = len(starts) * float(np.sum(window**2)) * size / 2
    frequency = np.asarray(np.fft.rfftfreq(size, 1 / rate), dtype=np.float64)
    return frequency, spectrum / scale, cross / scale
