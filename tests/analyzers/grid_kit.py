"""Small exact sounds for the grid's tests: every stroke starts at the given second, to the sample."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np

from analyzers.level.silence import find_lead_in
from analyzers.model import Grid, LeadIn, Options
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from analyzers.signal.onsets import Onsets
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from demo.truth import Truth

RATE = 44100


def kick() -> np.ndarray:
    t = np.arange(int(0.18 * RATE)) / RATE
    body = np.sin(2 * np.pi * (50 * t + 4 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.06)
    body[:60] += 0.4 * np.exp(-np.arange(60) / 12)
    return 0.9 * body


def noise_burst(seconds: float, decay_s: float, low: float, seed: int) -> np.ndarray:
    """White noise, its slow part removed when `low` > 0."""
    x = np.random.default_rng(seed).standard_normal(int(seconds * RATE))
    if low:
        x = np.diff(x, prepend=0.0)
    return x * np.exp(-np.arange(len(x)) / RATE / decay_s) / 4


def tone(hz: float, seconds: float, attack_s: float = 0.004) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    wave = sum(np.sin(2 * np.pi * hz * k * t) / k for k in (1, 2, 3))
    return 0.15 * wave * np.minimum(t / attack_s, 1) * np.minimum((seconds - t) / 0.05, 1)


SNARE = noise_burst(0.15, 0.05, 0, 1) * 1.6
HAT = noise_burst(0.04, 0.012, 1, 2) * 0.6
KICK = kick()


def place(seconds: float, strokes: Iterable[tuple[float, np.ndarray, float]]) -> np.ndarray:
    """A mono signal with each (time s, sound, gain) added at the nearest sample."""
    x = np.zeros(int(seconds * RATE))
    for at, sound, gain in strokes:
        a = round(at * RATE)
        part = sound[: max(len(x) - a, 0)]
        x[a : a + len(part)] += gain * part
    return x


def pattern(
    beat_s: list[float] | np.ndarray, per_bar: int = 4, backbeat: tuple[int, ...] = (1, 3), hats: int = 2
) -> list[tuple[float, np.ndarray, float]]:
    """Kick on the bar's other beats, snare on the backbeats, `hats` to a beat, a new bass note each bar."""
    out = []
    for k, (a, b) in enumerate(itertools.pairwise(beat_s)):
        place_in_bar = k % per_bar
        if place_in_bar in backbeat:
            out.append((a, SNARE, 1.0))
        elif place_in_bar == 0 or backbeat == (1, 3):
            out.append((a, KICK, 1.0))
        if place_in_bar == 0:
            hz = (55.0, 65.41, 73.42, 49.0)[k // per_bar % 4]
            out.append((a, tone(hz, (b - a) * per_bar * 0.95), 1.0))
            out.append((a, tone(hz * 4, (b - a) * per_bar * 0.95), 0.6))
            out.append((a, tone(hz * 6, (b - a) * per_bar * 0.95), 0.5))
        out += [(a + (b - a) * h / hats, HAT, 1.0 if h == 0 else 0.6) for h in range(hats)]
    return out


def even(bpm: float, start_s: float, seconds: float) -> np.ndarray:
    """Beat times from `start_s` to the end, none accumulated."""
    period = 60.0 / bpm
    return start_s + period * np.arange(int((seconds - start_s) / period) + 1)


def generated(seed: int) -> tuple[Truth, Grid]:
    """What the generator wrote, and the grid that is found in how it sounds."""
    samples, truth = render(random_spec(seed))
    features = Features(Signal(samples, truth.samplerate))
    return truth, find_grid(features, find_lead_in(features))


def drifting(seed: int, wander: float) -> tuple[np.ndarray, np.ndarray]:
    """(sound, beats s): a drum pattern with clear attacks whose tempo walks by such a share a beat."""
    period = 0.6 * np.exp(np.cumsum(np.random.default_rng(seed).normal(0, wander, 90)))
    beats = 0.5 + np.concatenate([[0.0], np.cumsum(period)])
    return place(float(beats[-1]) + 1.0, pattern(beats)), beats[:-1]


def grid_of(mono: np.ndarray, first_sound_s: float | None = None, options: Options | None = None) -> Grid:
    """The grid of a mono signal; the first sound is its first sample above -60 dB of the peak."""
    x = np.stack([mono, mono], axis=1).astype(np.float32)
    signal = Signal(x, RATE)
    peak = np.abs(mono).max()
    if first_sound_s is None and peak > 0:
        first_sound_s = float(np.argmax(np.abs(mono) > 1e-3 * peak)) / RATE
    sample = None if first_sound_s is None else round(first_sound_s * RATE)
    lead_in = LeadIn(first_sound_s, sample, "digital silence", None, None, 1.0)
    return find_grid(Features(signal, options), lead_in)


def onsets_of(mono: np.ndarray) -> Onsets:
    """Onset curves of a mono signal at RATE."""
    return Features(Signal(mono.astype(np.float32)[:, None], RATE)).onsets
