"""Where things begin: onset strength in six frequency bands, fine level curves, and pitch-class frames.

Convention: frame ``i`` of a curve with ``rate`` frames a second is centred on ``i / rate`` seconds of the
signal; the signal is taken as silent before its first sample, so that an attack at time zero is seen.

Onset strength is the half-wave rectified rise of log power, summed over narrow bands (spectral flux:
Bello et al., "A tutorial on onset detection in music signals", IEEE TSAP 13(5), 2005; logarithmic
compression: Böck and Widmer, "Maximum filter vibrato suppression for onset detection", DAFx 2013).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import fft as sfft

from analyzers.signal.mono import Samples, framed
from analyzers.signal.samples import blocks_of
from analyzers.signal.spectrum import CHROMA_RATE_HZ

WINDOW = 1024
HOP = 256
FINE = 32  # samples in a block of the fine level curves
FAINT = 0.02  # share of the strongest band's rises, below which a band is left out
FLOOR_DB = -60.0  # below the band's loud frames nothing counts as a rise

# Hz; kick, bass and low tom, body of snare and chords, snare and voice, hats, air
BAND_EDGES_HZ = (30.0, 120.0, 300.0, 1000.0, 3000.0, 7000.0, 16000.0)
BANDS = len(BAND_EDGES_HZ) - 1
NARROW = (2, 3, 6, 8, 7, 6)  # narrow bands inside each of the six

FloatArray = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Onsets:
    """Curves of one signal.

    strength : rise of level in each band [shape=(bands, frames)], dB per frame, >= 0
    level : level of each band [shape=(bands, frames)], dB above the floor, in [0, 60]
    fine_full, fine_high : log power of `FINE`-sample blocks of the signal and of its first difference
        [shape=(blocks,)], dB, floored 90 dB below the loudest block
    chroma : pitch-class power, bass then treble [shape=(24, chroma_frames)], each frame sums to <= 1
    """

    rate: float
    strength: FloatArray
    level: FloatArray
    fine_rate: float
    fine_full: FloatArray
    fine_high: FloatArray
    chroma_rate: float
    chroma: FloatArray

    @cached_property
    def loud(self) -> FloatArray:
        """Strength of a loud attack in each band: percentile 99 [shape=(bands,)]."""
        return np.asarray(np.percentile(self.strength, 99, axis=1))

    @cached_property
    def hits(self) -> FloatArray:
        """Strength of each band, of that of its loud attacks, in [0, 1.5] [shape=(bands, frames)]."""
        return np.minimum(self.strength / np.maximum(self.loud, 1e-6)[:, None], 1.5)

    @cached_property
    def levelled(self) -> FloatArray:
        """`strength`, about 1 on a loud attack, at most 1.5; less in a faint band [shape=(bands, frames)]."""
        scale = np.maximum(self.loud, 0.1 * float(self.loud.max()) + 1e-6)[:, None]
        return np.minimum(self.strength / scale, 1.5).astype(np.float32)

    @cached_property
    def attacks(self) -> FloatArray:
        """`hits` of all bands together [shape=(frames,)]."""
        return np.asarray(self.hits.sum(axis=0))

    @cached_property
    def centred(self) -> npt.NDArray[np.float64]:
        """`strength` less its mean over 0.5 s, unit power; zeros of faint bands [shape=(bands, frames)]."""
        width = int(0.5 * self.rate) | 1
        around = np.pad(self.strength, ((0, 0), (width // 2 + 1, width // 2)))
        total = np.cumsum(around, axis=1, dtype=np.float64)
        y = total[:, width:] - total[:, :-width]
        y /= width
        np.subtract(self.strength, y, out=y)
        scale = np.sqrt((y**2).mean(axis=1, keepdims=True))
        return np.where(scale > FAINT * float(scale.max()), y / np.maximum(scale, 1e-9), 0.0)

    def part(self, start_s: float, end_s: float) -> Onsets:
        """The curves of the stretch [start_s, end_s), counted from its start."""

        def cut(x: FloatArray, rate: float) -> FloatArray:
            a = max(round(start_s * rate), 0)
            b = x.shape[-1] if np.isinf(end_s) else min(round(end_s * rate), x.shape[-1])
            return x[..., a:b]

        return Onsets(
            rate=self.rate,
            strength=cut(self.strength, self.rate),
            level=cut(self.level, self.rate),
            fine_rate=self.fine_rate,
            fine_full=cut(self.fine_full, self.fine_rate),
            fine_high=cut(self.fine_high, self.fine_rate),
            chroma_rate=self.chroma_rate,
            chroma=cut(self.chroma, self.chroma_rate),
        )


def find_onsets(x: Samples, rate: int, chroma: Callable[[], FloatArray]) -> Onsets:
    """Onset curves of a mono signal.

    Parameters
    ----------
    x : mono signal [shape=(n,)], n > 0
    rate : sampling rate in Hz, 44 100 or 48 000
    chroma : gives pitch-class frames of the same signal (see `Spectrum`); asked last, since they may be
        under way in another thread

    Returns
    -------
    Onsets ; a silent signal gives curves of zeros
    """
    fine_full, fine_high = (np.zeros(max(len(x) // FINE, 1), np.float32) for _ in range(2))
    pieces = _with_fine(blocks_of(x), fine_full, fine_high)
    strength, level = _band_curves(_level_db(_narrow_powers(pieces, len(x), rate)))
    return Onsets(
        rate=rate / HOP,
        strength=strength,
        level=level,
        fine_rate=rate / FINE,
        fine_full=_fine_db(fine_full),
        fine_high=_fine_db(fine_high),
        chroma_rate=CHROMA_RATE_HZ,
        chroma=chroma(),
    )


def _narrow_powers(pieces: Iterable[FloatArray], length: int, rate: int) -> FloatArray:
    """Power in each narrow band of so many samples [shape=(sum(NARROW), frames)]."""
    weights = _narrow_weights(rate)
    used = int(np.flatnonzero(weights.any(axis=1))[-1]) + 1
    weights = np.repeat(weights[:used], 2, axis=0)  # for the squares of real and imaginary parts
    window = np.hanning(WINDOW + 1)[:-1].astype(np.float32)
    out = np.empty((weights.shape[1], length // HOP + 1), np.float32)
    for first, frames in framed(pieces, WINDOW, HOP):
        parts = sfft.rfft(frames * window, axis=1).view(np.float32)[:, : 2 * used]
        out[:, first : first + len(frames)] = (np.square(parts) @ weights).T
    return out


def _band_curves(level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean rise and mean level of the narrow bands in each of the six [shape=(BANDS, frames)]."""
    strength, mean = (np.empty((BANDS, level.shape[1]), np.float32) for _ in range(2))
    first = 0
    for band, count in enumerate(NARROW):
        rows = level[first : first + count]
        rise = np.diff(rows, axis=1, prepend=np.float32(0))
        np.maximum(rise, 0.0, out=rise)
        strength[band], mean[band] = rise.sum(axis=0) / count, rows.sum(axis=0) / count
        first += count
    return strength, mean


def _narrow_weights(rate: int) -> FloatArray:
    """Which FFT bin belongs to which narrow band (each bin to one) [shape=(bins, bands)]."""
    edges: list[float] = []
    for low, high, n in zip(BAND_EDGES_HZ[:-1], BAND_EDGES_HZ[1:], NARROW, strict=True):
        edges.extend(np.geomspace(low, high, n + 1)[:-1])
    edges.append(BAND_EDGES_HZ[-1])
    hz = np.arange(WINDOW // 2 + 1) * rate / WINDOW
    out = np.zeros((len(hz), len(edges) - 1), np.float32)
    for k, (low, high) in enumerate(pairwise(edges)):
        centre = np.argmin(np.abs(hz - (low * high) ** 0.5))
        inside = (hz >= low) & (hz < high)
        inside[centre] = True  # a band narrower than a bin takes its nearest bin
        out[inside, k] = 1.0
    return out


def _level_db(power: FloatArray) -> FloatArray:
    """Level above a floor 60 dB below each band's loud frames (80 dB below the loudest band's), in place."""
    loud = np.percentile(power[:, ::4], 98, axis=1) if power.shape[1] > 8 else power.max(axis=1)
    loud = np.maximum(loud, loud.max() * 1e-2)
    if loud.max() <= 0.0:
        return np.zeros_like(power)
    power /= (loud * 10 ** (FLOOR_DB / 10))[:, None].astype(np.float32)
    np.maximum(power, 1.0, out=power)
    np.log10(power, out=power)
    power *= 10.0
    return power


def _with_fine(pieces: Iterable[FloatArray], full: FloatArray, high: FloatArray) -> Iterator[FloatArray]:
    """The pieces of a signal, passed on; `full` and `high` get the mean power of `FINE`-sample blocks of it
    and of its first difference [shape=(blocks,)]. All pieces but the last are whole blocks."""
    block, last = 0, None
    for piece in pieces:
        steps = np.diff(piece, prepend=piece[:1] if last is None else last)
        last = piece[-1:]
        whole = len(piece) // FINE
        for out, values in ((full, piece), (high, steps)):
            y = values[: whole * FINE].reshape(-1, FINE)
            out[block : block + whole] = np.einsum("ij,ij->i", y, y) / FINE
        block += whole
        yield piece


def _fine_db(power: FloatArray) -> FloatArray:
    """Level above a floor 90 dB below the loudest block; zeros for silence."""
    floor = max(float(power.max()) * 1e-9, 1e-20)
    out: FloatArray = (10.0 * np.log10(np.maximum(power, floor) / floor)).astype(np.float32)
    return out
