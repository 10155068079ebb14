"""Voices over a band, by formant synthesis: sung lines and talk, for `records.py`.

A source rich in harmonics glides, scoops and vibrates as singers do, and runs through three resonances of a
vowel (Peterson and Barney, J. Acoust. Soc. Am. 24, 1952, men's means; women's lie about a sixth higher).
Consonants are bursts of noise. Nothing one could understand: what matters is a loud line between the notes.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

Rng = np.random.Generator
Timed = tuple[float, float, int, int, float]  # start s, end s, MIDI note, part, loudness

VOWELS_HZ = ((730, 1090, 2440), (530, 1840, 2480), (270, 2290, 3010), (570, 840, 2410), (300, 870, 2240))
WIDTHS_HZ = (80.0, 110.0, 160.0)
GAINS = (1.0, 0.5, 0.25)


def sung(rng: Rng, notes: list[Timed], frames: int, rate: int, cents: float, bent: bool) -> np.ndarray:
    """A line sung on changing vowels [shape=(frames,)]; `bent`: thirds and fifths lie low, as in a blues."""
    out = np.zeros(frames)
    scale = float(rng.choice([1.0, 1.17]))
    loose, depth = float(rng.uniform(5, 30)), float(rng.uniform(0.05, 0.6))
    speed, scoop = float(rng.uniform(4.5, 6.5)), float(rng.uniform(0, 0.6))
    for start, end, pitch, _, loud in notes:
        t = np.arange(max(int((end - start) * rate), 600)) / rate
        note = pitch + (cents + rng.normal(0, loose)) / 100
        if bent and rng.random() < 0.3:
            note -= rng.uniform(0.1, 0.6)
        curve = note - (rng.uniform(0.5, 2.0) * np.exp(-t / 0.05) if rng.random() < scoop else 0.0)
        curve = curve + depth * np.sin(2 * np.pi * speed * t) * np.clip((t - 0.2) / 0.3, 0, 1)
        if rng.random() < 0.2:
            curve = curve - rng.uniform(0, 3) * np.clip((t - t[-1] + 0.12) / 0.12, 0, 1)
        _add(out, start, loud * _vowel(rng, 440 * 2 ** ((curve - 69) / 12), rate, scale), rate)
        if rng.random() < 0.5:
            _add(out, start - 0.04, loud * _burst(rng, rate), rate)
    return out


def spoken(rng: Rng, notes: list[Timed], frames: int, rate: int) -> np.ndarray:
    """Syllables at the given times, at a talker's pitch, gliding [shape=(frames,)]."""
    out = np.zeros(frames)
    centre = float(np.exp(rng.uniform(np.log(85), np.log(200))))
    for start, end, _, _, loud in notes:
        seconds = min(end - start, 0.28)
        t = np.arange(max(int(seconds * rate), 600)) / rate
        glide = rng.normal(0, 0.25) + rng.normal(0, 0.35) * t / t[-1]
        _add(out, start, loud * _vowel(rng, centre * np.exp(glide), rate, 1.0), rate)
        _add(out, start - 0.03, loud * _burst(rng, rate), rate)
    return out


def _vowel(rng: Rng, hz: np.ndarray, rate: int, scale: float) -> np.ndarray:
    """One syllable at the pitch `hz` [shape=(n,)]."""
    phase = np.cumsum(hz) / rate
    source = lfilter([1.0], [1.0, -0.85], 2 * (phase % 1.0) - 1.0)
    source = source + 0.03 * rng.standard_normal(len(hz))
    out = np.zeros(len(hz))
    for centre, width, gain in zip(VOWELS_HZ[rng.integers(5)], WIDTHS_HZ, GAINS, strict=True):
        r = np.exp(-np.pi * width / rate)
        w = 2 * np.pi * centre * scale / rate
        out += lfilter([gain * (1 - r)], [1.0, -2 * r * np.cos(w), r * r], source)
    t = np.arange(len(hz)) / rate
    shape = np.minimum(t / 0.03, 1) * np.clip((t[-1] - t) / 0.05, 0, 1)
    out = np.asarray(out * shape)
    return out / max(float(np.sqrt(np.mean(out**2))), 1e-9)


def _burst(rng: Rng, rate: int) -> np.ndarray:
    n = int(rng.uniform(0.02, 0.09) * rate)
    noise = lfilter([1.0, -0.9], [1.0], rng.standard_normal(n)) * np.hanning(n)
    return np.asarray(float(rng.uniform(0.1, 0.6)) * noise)


def _add(out: np.ndarray, start_s: float, x: np.ndarray, rate: int) -> None:
    a = int(start_s * rate)
    if a < 0:
        x, a = x[-a:], 0
    if a < len(out):
        out[a : a + len(x)] += x[: len(out) - a]
