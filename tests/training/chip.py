"""Sound chips and small samplers in numpy: the notes of a sequence without a soundfont.

Pulse, triangle, sawtooth and two-operator FM voices with short envelopes; drums of swept sines and noise.
"""

from __future__ import annotations

import numpy as np

Rng = np.random.Generator
Note = tuple[float, float, int, int, float]  # start s, end s, MIDI note, part, loudness
DRUMS = 9
KICKS, HISSES = (36, 35, 43, 47), (42, 44, 46, 51, 49, 70)


def _voice(rng: Rng) -> dict[str, float]:
    return {
        "kind": int(rng.integers(4)), "width": float(rng.choice([0.125, 0.25, 0.5])),
        "decay": float(np.exp(rng.uniform(np.log(0.08), np.log(2.0)))), "held": float(rng.random() < 0.4),
        "index": float(rng.uniform(0.5, 4)), "ratio": float(rng.choice([0.5, 1, 2, 3, 3.5])),
        "gain": float(rng.uniform(0.4, 1.0)), "pan": float(rng.uniform(0.2, 0.8)),
    }  # fmt: skip


def _tone(v: dict[str, float], hz: float, seconds: float, rate: int) -> np.ndarray:
    t = np.arange(int((seconds + 0.03) * rate)) / rate
    cycle = hz * t % 1.0
    if v["kind"] == 0:
        x = np.where(cycle < v["width"], 1.0, -1.0)
    elif v["kind"] == 1:
        x = 4 * np.abs(cycle - 0.5) - 1
    elif v["kind"] == 2:
        x = 2 * cycle - 1
    else:
        x = np.sin(2 * np.pi * hz * t + v["index"] * np.sin(2 * np.pi * hz * v["ratio"] * t))
    fall = 1.0 if v["held"] else np.exp(-t / v["decay"])
    out: np.ndarray = x * fall * np.minimum(t / 0.002, 1) * np.clip((seconds + 0.03 - t) / 0.03, 0, 1)
    return out


def _drum(rng: Rng, pitch: int, rate: int) -> np.ndarray:
    t = np.arange(int(0.25 * rate)) / rate
    if pitch in KICKS:
        low = rng.uniform(45, 70) * (1.0 if pitch < 40 else 1.8)
        return np.sin(2 * np.pi * (low * t + 4 * (1 - np.exp(-t / 0.03)))) * np.exp(
            -t / rng.uniform(0.06, 0.2)
        )
    hiss = rng.standard_normal(len(t))
    if pitch in HISSES:
        return np.diff(hiss, prepend=0) * 0.4 * np.exp(-t / (0.12 if pitch in (46, 49, 51) else 0.03))
    body = 0.7 * np.sin(2 * np.pi * rng.uniform(160, 250) * t) * np.exp(-t / 0.06)
    out: np.ndarray = (0.6 * hiss + body) * np.exp(-t / rng.uniform(0.04, 0.14))
    return out


def play_chip(rng: Rng, notes: list[Note], frames: int, rate: int, cents: float = 0.0) -> np.ndarray:
    """Samples [shape=(frames, 2)] of notes that begin inside."""
    out = np.zeros((frames, 2), np.float32)
    voices = {p: _voice(rng) for p in sorted({n[3] for n in notes})}
    drums = {p: _drum(rng, p, rate) for p in sorted({n[2] for n in notes if n[3] == DRUMS})}
    level = float(rng.uniform(0.5, 1.6))
    for start, end, pitch, part, loud in notes:
        at, v = round(start * rate), voices[part]
        if not 0 <= at < frames:
            continue
        hz = 440.0 * 2 ** ((pitch - 69 + cents / 100) / 12)
        x = drums[pitch] * level if part == DRUMS else _tone(v, hz, min(end - start, 4.0), rate) * v["gain"]
        x = x[: frames - at]
        pan = 0.5 if part == DRUMS else v["pan"]
        out[at : at + len(x)] += (0.3 * loud * x)[:, None] * np.array([1 - pan, pan])
    return out
