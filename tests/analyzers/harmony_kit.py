"""Plain additive music for the harmony tests: every note, beat and bar is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analyzers.harmony.voicing import QUALITIES
from analyzers.model import Grid, Options
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.spectrum import note_hz

RATE = 11025
BEAT_S = 0.5
Wave = npt.NDArray[np.float64]
Chord = tuple[int, str]  # root pitch class, quality


def tone(note: float, seconds: float, *, harmonics: int = 5) -> Wave:
    t = np.arange(round(seconds * RATE)) / RATE
    wave = sum(np.sin(2 * np.pi * note_hz(note) * h * t) / h**1.3 for h in range(1, harmonics + 1))
    return np.asarray(0.1 * wave * np.minimum(1, np.minimum(t, seconds - t) / 0.01) * np.exp(-t / 2))


def accompaniment(chords: Sequence[Chord | None], beats: int = 4, *, cents: float = 0.0) -> Wave:
    """Bass and close chords, each chord ``beats`` beats long; None is silence."""
    seconds = beats * BEAT_S
    parts = []
    for chord in chords:
        part = np.zeros(round(seconds * RATE))
        if chord is not None:
            root, quality = chord
            notes = [36 + root, *(54 + (root + s - 54) % 12 for s in QUALITIES[quality])]
            part += sum(tone(n + cents / 100, seconds) for n in notes)
        parts.append(part)
    return np.concatenate(parts)


def drums(bars: int, seed: int = 1) -> Wave:
    """Kick on every beat, noise snare on two and four, noise hats on eighths."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(bars * 4 * BEAT_S * RATE) + RATE)
    t = np.arange(RATE // 4) / RATE
    kick = 0.6 * np.sin(2 * np.pi * (50 * t + 5 * (1 - np.exp(-t / 0.03)))) * np.exp(-t / 0.08)
    for i in range(bars * 8):
        at = round(i * BEAT_S / 2 * RATE)
        hit = 0.1 * rng.normal(size=len(t)) * np.exp(-t / 0.01)
        if i % 2 == 0:
            hit = hit + kick
        if i % 4 == 2:
            hit = hit + 0.3 * rng.normal(size=len(t)) * np.exp(-t / 0.05)
        out[at : at + len(t)] += hit
    return out[: round(bars * 4 * BEAT_S * RATE)]


def features(wave: Wave, options: Options | None = None) -> Features:
    return Features(Signal(wave.astype(np.float32)[:, None], RATE), options)


def grid(seconds: float, *, per_bar: int = 4) -> Grid:
    times = tuple(i * BEAT_S for i in range(int(seconds / BEAT_S + 1e-6)))
    down = tuple(i % per_bar == 0 for i in range(len(times)))
    return Grid(60 / BEAT_S, 1, (), True, 1, f"{per_bar}/4", 1, per_bar, 0.0, 1, 0, times, down,
                ((0.0, 60 / BEAT_S),), None)  # fmt: skip


def no_grid() -> Grid:
    return Grid(None, 0, (), None, 0, None, 0, None, None, 0, 0, (), (), (), None, "no steady beat")
