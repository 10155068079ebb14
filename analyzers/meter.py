"""Which multiple of the pulse is the beat, and which beat is the bar's first.

First reasoning, from evidence folded on the lattice: the beat carries the most onset strength, tempi near
the middle of the range are likelier, and the bar's first beat has the low attacks and the harmonic changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
RATIOS = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75, 3.0, 1 / 3)


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to count the music: beat period and a beat's time, beats in a bar, time of a bar line."""

    period_s: float
    bar_line_s: float
    beats_per_bar: int
    meter: str
    probability: float  # of the whole reading
    tempo_probability: float
    meter_probability: float
    alternatives: tuple[tuple[float, float], ...]  # (BPM, probability), the chosen first


def sample(curves: FloatArray, rate: float, t: FloatArray, width_s: float) -> FloatArray:
    """Maximum of each curve within +-width_s of the times t [shape=(curves, len(t))]; 0 outside the signal."""
    reach = max(int(round(width_s * rate)), 0)
    index = np.round(t * rate).astype(int)
    n = curves.shape[1]
    out = np.zeros((len(curves), len(t)))
    for d in range(-reach, reach + 1):
        k = index + d
        inside = (k >= 0) & (k < n)
        out[:, inside] = np.maximum(out[:, inside], curves[:, k[inside]])
    return out


def choose_reading(
    onsets: Onsets, period_s: float, anchor_s: float, tempo_range_bpm: tuple[float, float]
) -> Reading:
    duration = onsets.strength.shape[1] / onsets.rate
    low, high = tempo_range_bpm
    scale = np.sqrt((onsets.strength**2).mean(axis=1, keepdims=True)) + 1e-9
    curves = onsets.strength / scale
    scored = []
    for ratio in RATIOS:
        p = period_s * ratio
        bpm = 60.0 / p
        if not low <= bpm <= high:
            continue
        t = anchor_s + p * np.arange(-int(anchor_s / p), int((duration - anchor_s) / p))
        if len(t) < 4:
            continue
        on = sample(curves, onsets.rate, t, 0.012).mean()
        half = sample(curves, onsets.rate, t[:-1] + p / 2, 0.012).mean()
        prior = -0.5 * (np.log2(bpm / 105.0) / 0.55) ** 2
        scored.append(
            (1.2 * on - 0.6 * half + 1.2 * prior - (1.0 if ratio not in (1.0, 2.0, 0.5) else 0.0), p)
        )
    if not scored:
        scored = [(0.0, period_s)]
    scored.sort(reverse=True)
    weights = np.exp(np.array([s for s, _ in scored]) - scored[0][0])
    weights /= weights.sum()
    p = scored[0][1]
    bar_line, bar_probability = _bar_line(onsets, curves, p, anchor_s, duration)
    return Reading(
        period_s=p,
        bar_line_s=bar_line,
        beats_per_bar=4,
        meter="4/4",
        probability=float(weights[0]) * bar_probability,
        tempo_probability=float(weights[0]),
        meter_probability=0.85,
        alternatives=tuple((60.0 / q, float(w)) for (_, q), w in zip(scored, weights, strict=True)),
    )


def _bar_line(
    onsets: Onsets, curves: FloatArray, p: float, anchor: float, duration: float
) -> tuple[float, float]:
    start = anchor - p * int(anchor / p)
    t = start + p * np.arange(int((duration - start) / p))
    if len(t) < 8:
        return start, 0.25
    low = sample(curves[:1], onsets.rate, t, 0.02)[0]
    k = np.clip((t * onsets.chroma_rate).astype(int), 0, onsets.chroma.shape[1] - 1)
    reach = max(int(0.8 * p * onsets.chroma_rate), 1)
    changes = []
    for part in (onsets.chroma[:12], onsets.chroma[12:]):
        total = np.cumsum(np.pad(part, ((0, 0), (reach + 1, reach + 1))), axis=1)
        after = total[:, np.minimum(k + 2 * reach, total.shape[1] - 1)] - total[:, k + reach]
        before = total[:, k + reach] - total[:, k]
        changes.append(np.abs(after - before).sum(axis=0))
    score = np.zeros(4)
    for w, v in ((0.5, low), (0.3, changes[0]), (1.0, changes[1])):
        z = (v - v.mean()) / (v.std() + 1e-9)
        score += w * np.array([z[j::4].mean() for j in range(4)])
    probability = np.exp(4.0 * (score - score.max()))
    probability /= probability.sum()
    j = int(np.argmax(score))
    return float(t[j]), float(probability[j])
