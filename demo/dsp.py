"""Small signal helpers of the synthesiser: envelopes, noise, filters, echoes. Arrays are float32, mono."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

Wave = npt.NDArray[np.float32]


def mono(x: npt.ArrayLike) -> Wave:
    return np.asarray(x, np.float32)


def times(seconds: float, rate: int) -> Wave:
    """Sample instants from zero [shape=(n,)], at least 8 samples."""
    return np.arange(max(int(seconds * rate), 8), dtype=np.float32) / np.float32(rate)


def decay(t: Wave, seconds: float) -> Wave:
    """Exponential that has fallen by 60 dB after `seconds`."""
    return np.asarray(np.exp(t * np.float32(-6.9 / max(seconds, 1e-4))), np.float32)


def attack(wave: Wave, seconds: float, rate: int) -> Wave:
    """`wave` with a raised-cosine fade in, in place."""
    n = min(int(seconds * rate), len(wave))
    if n > 1:
        wave[:n] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)).astype(np.float32)
    return wave


def release(wave: Wave, seconds: float, rate: int) -> Wave:
    """`wave` with a linear fade out, in place."""
    n = min(int(seconds * rate), len(wave))
    if n > 1:
        wave[-n:] *= np.linspace(1, 0, n, dtype=np.float32)
    return wave


def noise(rng: np.random.Generator, n: int) -> Wave:
    return rng.standard_normal(n, dtype=np.float32)


def filtered(wave: Wave, kind: str, hz: float | tuple[float, float], rate: int, order: int = 2) -> Wave:
    """Butterworth 'low', 'high' or 'band' filter; corner frequencies are kept below Nyquist."""
    edges = np.clip(np.atleast_1d(np.asarray(hz, float)), 15.0, rate * 0.47)
    if len(edges) == 2:
        edges[1] = max(edges[1], edges[0] * 1.05)
    name = {"low": "lowpass", "high": "highpass", "band": "bandpass"}[kind]
    sos = butter(order, edges if len(edges) == 2 else edges[0], name, fs=rate, output="sos")
    return np.asarray(sosfilt(sos.astype(np.float32), wave), np.float32)


def peak_one(wave: Wave) -> Wave:
    peak = float(np.max(np.abs(wave))) if len(wave) else 0.0
    return wave / np.float32(peak) if peak > 0 else wave


def comb(wave: Wave, delay: int, gain: float) -> Wave:
    """Feedback delay y[n] = x[n] + gain * y[n - delay], a block of `delay` samples at a time."""
    n = -(-len(wave) // delay)
    blocks = np.zeros((n, delay), np.float32)
    blocks.reshape(-1)[: len(wave)] = wave
    g = np.float32(gain)
    for k in range(1, n):
        blocks[k] += g * blocks[k - 1]
    return np.asarray(blocks.reshape(-1)[: len(wave)])


def room(wave: Wave, seconds: float, bright_hz: float, spread: float, rate: int) -> Wave:
    """Tail of about `seconds` (60 dB) without the dry sound: four parallel combs after Schroeder (1962)."""
    dark = filtered(wave, "low", bright_hz, rate, 1)
    out = np.zeros_like(wave)
    for ms in (29.7, 37.1, 41.1, 43.7):
        d = int(ms * spread * rate / 1000)
        out += comb(dark, d, 10 ** (-3 * d / rate / seconds))
    late = np.zeros_like(out)
    for ms, g in ((5.0, 0.6), (12.7 * spread, 0.4)):
        d = int(ms * rate / 1000)
        late[d:] += g * out[:-d]
    return late * np.float32(0.3)


def lookup(table: Wave, cycles_per_sample: float, n: int, start: float = 0.0) -> Wave:
    """Read a one-cycle table (length a power of two) at a steady pitch."""
    bits = 32 - (len(table).bit_length() - 1)
    step = np.uint32(int(cycles_per_sample * 2**32) & 0xFFFFFFFF)
    phase = np.arange(n, dtype=np.uint32) * step + np.uint32(int((start % 1) * (2**32 - 1)))
    return np.asarray(table[phase >> np.uint32(bits)])
