"""Where things begin: onset strength in six frequency bands, fine level curves, and pitch-class frames.

Convention: frame ``i`` of a curve with ``rate`` frames a second is centred on ``i / rate`` seconds of the
signal; the signal is taken as silent before its first sample, so that an attack at time zero is seen.

Onset strength is the half-wave rectified rise of log power, summed over narrow bands (spectral flux:
Bello et al., "A tutorial on onset detection in music signals", IEEE TSAP 13(5), 2005; logarithmic
compression: Böck and Widmer, "Maximum filter vibrato suppression for onset detection", DAFx 2013).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import soxr
from scipy import fft as sfft

WINDOW = 1024
HOP = 256
FINE = 32  # samples in a block of the fine level curves
BLOCK = 1024  # frames transformed at a time: bounds memory on long files
FLOOR_DB = -60.0  # below the band's loud frames nothing counts as a rise

# Hz; kick, bass and low tom, body of snare and chords, snare and voice, hats, air
BAND_EDGES_HZ = (30.0, 120.0, 300.0, 1000.0, 3000.0, 7000.0, 16000.0)
BANDS = len(BAND_EDGES_HZ) - 1
NARROW = (2, 3, 6, 8, 7, 6)  # narrow bands inside each of the six

CHROMA_RATE = 11025
CHROMA_WINDOW = 4096
CHROMA_HOP = 512

FloatArray = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
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

    @property
    def novelty(self) -> FloatArray:
        """All bands in one curve, each with equal weight [shape=(frames,)]."""
        scale = np.sqrt((self.strength**2).mean(axis=1, keepdims=True)) + 1e-9
        out: FloatArray = (self.strength / scale).mean(axis=0)
        return out


def find_onsets(x: FloatArray, rate: int) -> Onsets:
    """Onset curves of a mono signal.

    Parameters
    ----------
    x : mono signal [shape=(n,)], n > 0
    rate : sampling rate in Hz, 44 100 or 48 000

    Returns
    -------
    Onsets ; a silent signal gives curves of zeros
    """
    power = _narrow_powers(x, rate)
    level = _level_db(power)
    rise = np.diff(level, axis=1, prepend=0.0)
    np.maximum(rise, 0.0, out=rise)
    starts = np.concatenate([[0], np.cumsum(NARROW)[:-1]])
    counts = np.array(NARROW, dtype=np.float32)[:, None]
    return Onsets(
        rate=rate / HOP,
        strength=np.add.reduceat(rise, starts, axis=0) / counts,
        level=np.add.reduceat(level, starts, axis=0) / counts,
        fine_rate=rate / FINE,
        fine_full=_fine_db(x),
        fine_high=_fine_db(np.diff(x, prepend=x[:1])),
        chroma_rate=CHROMA_RATE / CHROMA_HOP,
        chroma=_chroma(x, rate),
    )


def _narrow_powers(x: FloatArray, rate: int) -> FloatArray:
    """Power in each narrow band [shape=(sum(NARROW), frames)]."""
    weights = _narrow_weights(rate)
    frames = len(x) // HOP + 1
    window = np.hanning(WINDOW + 1)[:-1].astype(np.float32)
    padded = np.concatenate([np.zeros(WINDOW // 2, np.float32), x, np.zeros(WINDOW, np.float32)])
    out = np.empty((weights.shape[1], frames), np.float32)
    views = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP]
    for a in range(0, frames, BLOCK):
        b = min(a + BLOCK, frames)
        spectrum = sfft.rfft(views[a:b] * window, axis=1)
        out[:, a:b] = ((spectrum.real**2 + spectrum.imag**2) @ weights).T
    return out


def _narrow_weights(rate: int) -> FloatArray:
    """Which FFT bin belongs to which narrow band (each bin to one) [shape=(bins, bands)]."""
    edges: list[float] = []
    for low, high, n in zip(BAND_EDGES_HZ[:-1], BAND_EDGES_HZ[1:], NARROW, strict=True):
        edges.extend(np.geomspace(low, high, n + 1)[:-1])
    edges.append(BAND_EDGES_HZ[-1])
    hz = np.arange(WINDOW // 2 + 1) * rate / WINDOW
    out = np.zeros((len(hz), len(edges) - 1), np.float32)
    for k, (low, high) in enumerate(zip(edges[:-1], edges[1:], strict=True)):
        centre = np.argmin(np.abs(hz - (low * high) ** 0.5))
        inside = (hz >= low) & (hz < high)
        inside[centre] = True  # a band narrower than a bin takes its nearest bin
        out[inside, k] = 1.0
    return out


def _level_db(power: FloatArray) -> FloatArray:
    """Level above a floor 60 dB below each band's loud frames (and 80 dB below the loudest band's)."""
    loud = np.percentile(power[:, ::4], 98, axis=1) if power.shape[1] > 8 else power.max(axis=1)
    loud = np.maximum(loud, loud.max() * 1e-2)
    if loud.max() <= 0.0:
        return np.zeros_like(power)
    floor = (loud * 10 ** (FLOOR_DB / 10))[:, None].astype(np.float32)
    out: FloatArray = 10.0 * np.log10(np.maximum(power / floor, 1.0))
    return out


def _fine_db(x: FloatArray) -> FloatArray:
    blocks = len(x) // FINE
    if blocks == 0:
        return np.zeros(1, np.float32)
    y = x[: blocks * FINE].reshape(blocks, FINE)
    power = np.einsum("ij,ij->i", y, y) / FINE
    floor = max(float(power.max()) * 1e-9, 1e-20)
    out: FloatArray = (10.0 * np.log10(np.maximum(power, floor) / floor)).astype(np.float32)
    return out


def _chroma(x: FloatArray, rate: int) -> FloatArray:
    """Pitch-class power below and above 200 Hz, frames normalised to their sum."""

    y = soxr.resample(x, rate, CHROMA_RATE, quality="LQ")
    frames = len(y) // CHROMA_HOP + 1
    padded = np.concatenate(
        [np.zeros(CHROMA_WINDOW // 2, np.float32), y, np.zeros(CHROMA_WINDOW, np.float32)]
    )
    window = np.hanning(CHROMA_WINDOW + 1)[:-1].astype(np.float32)
    weights = _chroma_weights()
    views = np.lib.stride_tricks.sliding_window_view(padded, CHROMA_WINDOW)[::CHROMA_HOP]
    out = np.empty((24, frames), np.float32)
    for a in range(0, frames, 512):
        b = min(a + 512, frames)
        spectrum = sfft.rfft(views[a:b] * window, axis=1)
        out[:, a:b] = (np.abs(spectrum) @ weights).T
    for part in (out[:12], out[12:]):
        total = part.sum(axis=0)
        part /= np.maximum(total, max(float(total.max()) * 1e-3, 1e-12))
    return out


def _chroma_weights() -> FloatArray:
    hz = np.arange(CHROMA_WINDOW // 2 + 1) * CHROMA_RATE / CHROMA_WINDOW
    out = np.zeros((len(hz), 24), np.float32)
    for k, f in enumerate(hz):
        if not 40.0 <= f <= 2000.0:
            continue
        note = 69 + 12 * np.log2(f / 440.0)
        near = round(note)
        closeness = max(0.0, 1.0 - 2.0 * abs(note - near)) if f > 200.0 else 1.0 - abs(note - near)
        out[k, near % 12 + (12 if f > 200.0 else 0)] = closeness
    return out
