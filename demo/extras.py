"""What is neither note nor stroke: risers, spoken-tag-like babble, noise beds, channel faults, the master."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from demo.dsp import Wave, attack, filtered, noise, peak_one, release
from demo.mix import Stage, place
from demo.score import section_starts

Rng = np.random.Generator
Stereo = npt.NDArray[np.float32]
VOWELS = ((730, 1090, 2440), (530, 1840, 2480), (270, 2290, 3010), (570, 840, 2410), (300, 870, 2240))
"""Formants of five vowels in Hz, men's averages: Peterson & Barney, J. Acoust. Soc. Am. 24 (1952)."""


def riser(rng: Rng, seconds: float, rate: int) -> Wave:
    """Noise that opens up and grows to a sudden end."""
    n = max(int(seconds * rate), 64)
    x = np.linspace(0, 1, n, dtype=np.float32)
    dull = filtered(noise(rng, n), "band", (300, 1500), rate)
    bright = filtered(noise(rng, n), "high", 3000, rate)
    wave = (peak_one(dull) * (1 - x) + peak_one(bright) * x) * x ** np.float32(rng.uniform(1, 3))
    return release(wave, 0.01, rate)


def add_risers(stage: Stage) -> None:
    rng = stage.rng
    if rng.random() > 0.3:
        return
    starts = section_starts(stage.spec)
    for start, section in zip(starts, stage.spec.sections, strict=False):
        if section.name != "hook" or not start or rng.random() < 0.4:
            continue
        beats = float(rng.choice([1, 2, 4, 8]))
        wave = riser(rng, stage.seconds(start - beats, beats), stage.spec.rate)
        bus = np.zeros(stage.frames, np.float32)
        place(bus, wave, int(stage.clock.at(start - beats) * stage.spec.rate), 1.0)
        stage.put_out(bus, float(rng.uniform(-22, -10)), 0.0, 0.2)


def add_wash(stage: Stage) -> None:
    """Slow swells of coloured noise: sound without pulse or pitch."""
    rng, rate = stage.rng, stage.spec.rate
    for _ in range(int(rng.integers(2, 5))):
        low = float(np.exp(rng.uniform(np.log(80), np.log(3000))))
        bed = filtered(noise(rng, stage.frames), "band", (low, low * float(rng.uniform(1.5, 6))), rate)
        knots = np.linspace(0, stage.frames, int(rng.integers(4, 12)))
        swell = np.interp(np.arange(stage.frames), knots, rng.random(len(knots)))
        stage.put_out(peak_one(bed) * swell.astype(np.float32), -10.0, float(rng.uniform(-0.8, 0.8)), 0.2)


def babble(rng: Rng, seconds: float, rate: int) -> Wave:
    """Voice-like syllables without words: a pulse train through moving formants."""
    out = np.zeros(int(seconds * rate), np.float32)
    at, pitch = 0.0, rng.uniform(90, 220)
    while at < seconds - 0.1:
        length = min(float(rng.uniform(0.08, 0.28)), seconds - at)
        n = int(length * rate)
        hz = pitch * rng.uniform(0.85, 1.2) * np.linspace(1, rng.uniform(0.85, 1.1), n)
        pulses = np.diff(np.floor(np.cumsum(hz) / rate), prepend=0).astype(np.float32)
        source = pulses + 0.02 * noise(rng, n)
        wave = sum(
            filtered(source, "band", (f * 0.93, f * 1.07), rate, 1) for f in VOWELS[int(rng.integers(5))]
        )
        wave = attack(release(peak_one(np.asarray(wave, np.float32)), 0.04, rate), 0.02, rate)
        place(out, wave, int(at * rate), float(rng.uniform(0.5, 1)))
        at += length * float(rng.uniform(0.8, 1.3))
    return out


def noise_floor(rng: Rng, kind: str, frames: int, rate: int) -> Stereo:
    """Stereo bed [shape=(frames, 2)] of "dither", "hiss" or "crackle", full scale = 1."""
    if kind == "dither":  # triangular, one 16-bit step each way
        steps = rng.random((frames, 2), dtype=np.float32) - rng.random((frames, 2), dtype=np.float32)
        return np.asarray(np.round(steps) / np.float32(32768), np.float32)
    level = 10 ** (rng.uniform(-68, -42) / 20)
    if kind == "hiss":
        return rng.standard_normal((frames, 2), dtype=np.float32) * np.float32(level)
    bed = rng.standard_normal((frames, 2), dtype=np.float32) * np.float32(level / 5)
    count = int(frames / rate * rng.uniform(5, 60))
    bed[rng.integers(0, frames, count), rng.integers(0, 2, count)] += (
        rng.exponential(level * 12, count) * rng.choice([-1, 1], count)
    ).astype(np.float32)
    return bed


def master(stage: Stage) -> Stereo:
    """Low cut, level into a soft clipper, peak: the music without noise [shape=(frames, 2)]."""
    spec = stage.spec
    out = np.stack([stage.left, stage.right], axis=1)
    middle = out[:: max(spec.rate // 8000, 1)]
    busy = middle[np.abs(middle).max(axis=1) > 0.01 * np.abs(middle).max()] if np.any(middle) else middle
    loud = float(np.percentile(np.abs(busy), 95)) if busy.size else 1.0
    out *= np.float32(spec.drive / max(loud, 1e-6) * 0.5)
    out = np.tanh(out)
    peak = float(np.abs(out).max())
    return out * np.float32(spec.peak / peak) if peak > 0 else out


def with_defect(music: Stereo, defect: str) -> Stereo:
    """A copy with a channel or level fault of the given name; "none" leaves it alone."""
    out = music.copy()
    if defect == "mono":
        out[:] = out.mean(axis=1, keepdims=True)
    elif defect == "left_heavy_6db":
        out[:, 1] *= np.float32(0.5)
    elif defect == "silent_right":
        out[:, 1] = 0
    elif defect == "polarity_inverted_right":
        out[:, 1] = -out[:, 0]
    elif defect == "clipped":
        out = np.clip(out * np.float32(4 / max(float(np.abs(out).max()), 1e-6)), -1, 1)
    elif defect == "dc_offset":
        out = np.clip(out * np.float32(0.9) + np.float32(0.04), -1, 1)
    return out
