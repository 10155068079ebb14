"""Clean music made on the spot, and how the health tests look at a signal."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.signal import butter, sosfilt

from analyzers.health.faults import find_faults
from analyzers.level.loudness import measure_loudness
from analyzers.level.silence import find_lead_in
from analyzers.model import Flag, Options
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal

RATE = 44100


def clean(seconds: float = 8.0, rate: int = RATE, seed: int = 1, lead_s: float = 0.5) -> np.ndarray:
    """Music without a fault; see `_music`."""
    return _music(seconds, rate, seed, lead_s).copy()


@cache
def _music(seconds: float, rate: int, seed: int, lead_s: float) -> np.ndarray:
    """Kick, bass, chords with some width and bright strokes, after silence [shape=(frames, 2)], peak 0.8."""
    rng = np.random.default_rng(seed)
    out = np.zeros((round(seconds * rate), 2))
    t = np.arange(len(out)) / rate
    since = t % 0.5
    kick = 0.7 * np.exp(-since * 14) * np.sin(2 * np.pi * (50 + 60 * np.exp(-since * 30)) * since)
    bass = 0.25 * np.sin(2 * np.pi * 55 * 2 ** (np.floor(t / 2) % 3 / 6) * t) * np.exp(-since * 2)
    out += (kick + bass)[:, None]
    for hz, place in ((220.3, 0.3), (277.5, 0.5), (329.9, 0.7)):
        tone = 0.06 * np.sin(2 * np.pi * hz * t + np.sin(2 * np.pi * 3 * t))
        out += tone[:, None] * np.array([place, 1 - place])
    strokes = rng.standard_normal((len(out), 2)) * np.exp(-((t % 0.25) * 40))[:, None]
    out += 0.1 * sosfilt(butter(2, min(4000, 0.3 * rate), "highpass", fs=rate, output="sos"), strokes, axis=0)
    out *= 0.8 / np.abs(out).max()
    out[: round(lead_s * rate)] = 0
    return words(out, 24)


def words(samples: np.ndarray, bits: int) -> np.ndarray:
    step = 2.0 ** (1 - bits)
    return np.clip(np.rint(samples / step) * step, -1, 1 - step).astype(np.float32)


def faults(samples: np.ndarray, rate: int = RATE, options: Options | None = None) -> dict[str, Flag]:
    """Flags by code."""
    features = Features(Signal(samples, rate), options)
    flags = find_faults(features, find_lead_in(features), measure_loudness(features))
    assert len({flag.code for flag in flags}) == len(flags) or any("band" in flag.code for flag in flags)
    return {flag.code: flag for flag in flags}
