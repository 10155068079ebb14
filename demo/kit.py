"""Drum one-shots. Each sounds from its first sample on: that sample is the truth of the stroke.

Every parameter is drawn, so no two kits are alike; a character ("electronic", "hard", "acoustic", "soft",
"dusty") shifts the ranges. Waves are mono with peak 1.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from demo.dsp import Wave, attack, comb, decay, filtered, mono, noise, peak_one, release, times

Rng = np.random.Generator
SOFT = ("soft", "dusty")


def kick(rng: Rng, character: str, rate: int) -> Wave:
    length = rng.uniform(0.15, 0.55) * (1.3 if character in ("electronic", "hard") else 0.9)
    t = times(length, rate)
    low = rng.uniform(38, 70)
    high = low * rng.uniform(2.0, 9.0)
    bend = rng.uniform(0.008, 0.05)
    phase = low * t + (high - low) * bend * (1 - np.exp(-t / bend))
    wave = np.sin(2 * np.pi * phase + (np.pi / 2 if rng.random() < 0.3 else 0)) * decay(t, length)
    wave = np.tanh(wave * rng.uniform(1.0, 4.0 if character != "soft" else 1.3))
    click = filtered(noise(rng, len(t)), "low", rng.uniform(1500, 9000), rate) * decay(
        t, rng.uniform(0.005, 0.03)
    )
    wave = wave + peak_one(click) * rng.uniform(0.0, 0.12 if character in SOFT else 0.5)
    return attack(
        wave.astype(np.float32), rng.choice([0, 0, 0.001, 0.004, 0.01 if character in SOFT else 0.002]), rate
    )


def snare(rng: Rng, character: str, rate: int) -> Wave:
    length = rng.uniform(0.1, 0.4)
    t = times(length, rate)
    tone = sum(
        np.sin(2 * np.pi * hz * t * (1 + 0.3 * np.exp(-t / 0.01))) for hz in rng.uniform(150, 340, 2)
    ) * decay(t, rng.uniform(0.08, 0.25))
    hiss = filtered(noise(rng, len(t)), "band", (rng.uniform(300, 2500), rng.uniform(6000, 14000)), rate)
    wave = tone * rng.uniform(0.1, 0.8) + peak_one(hiss) * decay(t, length) * rng.uniform(0.5, 1.2)
    if character == "acoustic" and rng.random() < 0.6:
        wave = wave + 0.4 * comb(wave.astype(np.float32), int(rng.uniform(0.006, 0.02) * rate), 0.5)
    return attack(wave.astype(np.float32), rng.choice([0, 0, 0.001, 0.003]), rate)


def clap(rng: Rng, character: str, rate: int) -> Wave:
    t = times(rng.uniform(0.15, 0.4), rate)
    body = filtered(noise(rng, len(t)), "band", (rng.uniform(600, 1200), rng.uniform(2500, 7000)), rate)
    gap = rng.uniform(0.006, 0.013)
    env = sum(
        np.where(t >= k * gap, np.exp(-(t - k * gap) / 0.004), 0) for k in range(int(rng.integers(2, 5)))
    )
    return np.asarray(body * (env + 0.5 * decay(t, rng.uniform(0.1, 0.35))), np.float32)


def rim(rng: Rng, character: str, rate: int) -> Wave:
    t = times(0.06, rate)
    hz = rng.uniform(350, 900)
    wave = np.sin(2 * np.pi * hz * t) + 0.7 * np.sin(2 * np.pi * hz * rng.uniform(2.1, 4.3) * t)
    wave = wave * decay(t, rng.uniform(0.02, 0.06)) + 0.3 * noise(rng, len(t)) * decay(t, 0.006)
    return mono(wave)


def snap(rng: Rng, character: str, rate: int) -> Wave:
    t = times(0.12, rate)
    body = filtered(noise(rng, len(t)), "band", (rng.uniform(1500, 2500), rng.uniform(3000, 6000)), rate)
    return np.asarray(body * (decay(t, 0.03) + 0.3 * decay(t, 0.12)), np.float32)


def _cymbal(rng: Rng, rate: int, length: float, low_hz: float, metal: float) -> Wave:
    t = times(length, rate)
    wave = noise(rng, len(t))
    if metal > 0:
        ring = sum(
            np.sign(np.sin(2 * np.pi * hz * t)) for hz in rng.uniform(300, 900, 5) * rng.uniform(0.8, 2.5)
        )
        wave = wave * (1 - metal) + np.asarray(ring, np.float32) * metal
    return filtered(wave, "high", low_hz, rate, 3) * decay(t, length)


def hat(rng: Rng, character: str, rate: int) -> Wave:
    wave = _cymbal(rng, rate, rng.uniform(0.03, 0.12), rng.uniform(4500, 9500), rng.uniform(0, 0.6))
    return attack(wave, rng.choice([0, 0, 0.001, 0.003]), rate)


def open_hat(rng: Rng, character: str, rate: int) -> Wave:
    return _cymbal(rng, rate, rng.uniform(0.2, 0.7), rng.uniform(4500, 8500), rng.uniform(0, 0.6))


def ride(rng: Rng, character: str, rate: int) -> Wave:
    wave = _cymbal(rng, rate, rng.uniform(0.5, 1.2), rng.uniform(3000, 6000), 0.5)
    t = np.arange(len(wave), dtype=np.float32) / np.float32(rate)
    return mono(wave * 0.5 + 0.3 * np.sin(2 * np.pi * rng.uniform(2500, 5500) * t) * decay(t, 0.25))


def crash(rng: Rng, character: str, rate: int) -> Wave:
    return _cymbal(rng, rate, rng.uniform(1.0, 2.5), rng.uniform(1500, 4500), rng.uniform(0, 0.5))


def shaker(rng: Rng, character: str, rate: int) -> Wave:
    wave = _cymbal(rng, rate, rng.uniform(0.06, 0.14), rng.uniform(3500, 7000), 0.0)
    return attack(wave, rng.uniform(0.002, 0.03), rate)


def tambourine(rng: Rng, character: str, rate: int) -> Wave:
    return attack(_cymbal(rng, rate, rng.uniform(0.1, 0.25), rng.uniform(5000, 8000), 0.7), 0.002, rate)


def tom(rng: Rng, character: str, rate: int) -> Wave:
    t = times(rng.uniform(0.2, 0.5), rate)
    hz = rng.uniform(75, 220)
    wave = np.sin(2 * np.pi * hz * (t + 0.012 * (1 - np.exp(-t / 0.03)))) * decay(t, rng.uniform(0.2, 0.5))
    return mono(wave + 0.15 * noise(rng, len(t)) * decay(t, 0.02))


def conga(rng: Rng, character: str, rate: int) -> Wave:
    t = times(rng.uniform(0.12, 0.3), rate)
    hz = rng.uniform(180, 420)
    wave = np.sin(2 * np.pi * hz * t) + 0.4 * np.sin(2 * np.pi * 2.3 * hz * t)
    return mono(wave * decay(t, rng.uniform(0.1, 0.3)))


def cowbell(rng: Rng, character: str, rate: int) -> Wave:
    t = times(0.25, rate)
    hz = rng.uniform(480, 640)
    wave = np.sign(np.sin(2 * np.pi * hz * t)) + np.sign(np.sin(2 * np.pi * hz * 1.48 * t))
    return filtered((wave * decay(t, 0.2)).astype(np.float32), "band", (500, 5000), rate)


def block(rng: Rng, character: str, rate: int) -> Wave:
    t = times(0.08, rate)
    return mono(np.sin(2 * np.pi * rng.uniform(700, 1800) * t) * decay(t, 0.06))


MAKERS: dict[str, Callable[[Rng, str, int], Wave]] = {
    "kick": kick, "snare": snare, "clap": clap, "rim": rim, "snap": snap, "hat": hat, "open": open_hat,
    "ride": ride, "crash": crash, "shaker": shaker, "tambourine": tambourine, "tom": tom, "tom low": tom,
    "conga": conga, "conga low": conga, "cowbell": cowbell, "block": block, "ghost": snare,
}  # fmt: skip


def _coloured(rng: Rng, wave: Wave, character: str, rate: int) -> Wave:
    if character == "dusty":
        wave = filtered(wave, "low", rng.uniform(4000, 9000), rate)
        bits = 2 ** rng.uniform(5, 9)
        wave = mono(np.round(peak_one(wave) * np.float32(bits)) / np.float32(bits))
    if character == "soft":
        wave = filtered(wave, "low", rng.uniform(3000, 12000), rate, 1)
    return np.asarray(wave, np.float32)


def make_kit(rng: Rng, character: str, rate: int, voices: set[str]) -> dict[str, Wave]:
    """One wave a voice, peak 1, short fade at the end."""
    kit = {}
    for voice in sorted(voices):
        wave = _coloured(rng, MAKERS[voice](rng, character, rate), character, rate)
        kit[voice] = release(peak_one(np.asarray(wave, np.float32)), 0.005, rate)
    return kit


def attack_ms(wave: Wave, rate: int, window_s: float = 0.001) -> float:
    """When a stroke's short-time energy first reaches half of its maximum, ms after its first sample."""
    n = max(int(window_s * rate), 1)
    energy = np.convolve(wave.astype(float) ** 2, np.ones(n) / n)[: len(wave)]
    return float(np.argmax(energy >= 0.5 * energy.max()) / rate * 1000)
