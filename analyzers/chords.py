"""Chords on the beats. First version: templates on chroma, smoothed by a Viterbi path."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.features import Features
from analyzers.model import Chord, Grid, Key, Tuning
from analyzers.spectrum import FRAME_RATE_HZ, NOTES
from analyzers.spelling import chord_label, pitch_class_of, signature

QUALITIES: dict[str, tuple[int, ...]] = {
    "maj": (0, 4, 7),
    "min": (0, 3, 7),
    "7": (0, 4, 7, 10),
    "maj7": (0, 4, 7, 11),
    "min7": (0, 3, 7, 10),
    "sus4": (0, 5, 7),
    "sus2": (0, 2, 7),
    "dim": (0, 3, 6),
}
_PRIOR = np.array([1.0, 1.0, 0.9, 0.9, 0.95, 0.85, 0.8, 0.8])


def find_chords(f: Features, tuning: Tuning, grid: Grid, key: Key) -> tuple[Chord, ...]:
    """Chord of each beat, equal neighbours joined; from 0 to the end of the file."""
    edges = beat_edges(grid, f.duration_s)
    if tuning.cents is None:
        return (Chord(0.0, f.duration_s, "N", 0.5),)
    notes = np.sqrt(f.spectrum.steady_notes(tuning.cents))
    per_beat = mean_between(notes, edges)
    chroma = per_beat.reshape(len(per_beat), NOTES // 12, 12)
    upper = chroma[:, 2:5].sum(axis=1)
    bass = chroma[:, 0:2].sum(axis=1)
    norm = np.linalg.norm(upper, axis=1, keepdims=True)
    names = list(QUALITIES)
    templates = np.zeros((12, len(names), 12))
    for root in range(12):
        for q, name in enumerate(names):
            templates[root, q, [(root + i) % 12 for i in QUALITIES[name]]] = len(QUALITIES[name]) ** -0.5
    score = np.einsum("rqc,nc->nrq", templates, upper / np.maximum(norm, 1e-9)) * _PRIOR
    score += 0.15 * (bass / np.maximum(np.linalg.norm(bass, axis=1, keepdims=True), 1e-9))[:, :, None]
    flat = score.reshape(len(score), -1) * 12
    quiet = (norm[:, 0] < 0.05 * np.percentile(norm, 90)) | (norm[:, 0] <= 0)
    none = np.where(quiet, 100.0, 0.55 * 12)[:, None]
    path, belief = _smooth(np.hstack((flat, none)), 2.5)
    sf = 0 if key.tonic is None or key.mode is None else signature(pitch_class_of(key.tonic), key.mode)
    minor = key.mode is not None and key.mode not in ("major", "mixolydian")

    def label(state: int) -> str:
        if state == flat.shape[1]:
            return "N"
        root, q = divmod(state, len(names))
        return chord_label(root, names[q], sf, minor)

    out: list[Chord] = []
    start = 0
    for i in range(1, len(path) + 1):
        if i == len(path) or path[i] != path[start]:
            confidence = round(float(belief[start:i].mean()), 3)
            out.append(Chord(float(edges[start]), float(edges[i]), label(int(path[start])), confidence))
            start = i
    return tuple(out)


def beat_edges(grid: Grid, duration_s: float, without_grid_s: float = 0.5) -> npt.NDArray[np.float64]:
    """Beat times closed off by 0 and the end of the file; fixed steps when there is no beat."""
    if grid.tempo_bpm is None or len(grid.beats_s) < 2:
        inner = np.arange(without_grid_s, max(duration_s - without_grid_s / 2, 0.0), without_grid_s)
    else:
        inner = np.array([b for b in grid.beats_s if 0.05 < b < duration_s - 0.05])
    return np.concatenate(([0.0], inner, [duration_s]))


def mean_between(frames: npt.NDArray[np.floating], edges: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Mean of the frames centred between neighbouring edges [shape=(len(edges) - 1, columns)]."""
    total = np.vstack((np.zeros((1, frames.shape[1])), np.cumsum(frames, axis=0, dtype=np.float64)))
    at = np.clip(np.rint(edges * FRAME_RATE_HZ + 0.5).astype(int), 0, len(frames))
    lo = np.minimum(at[:-1], len(frames) - 1)
    hi = np.maximum(at[1:], lo + 1)
    return np.asarray((total[hi] - total[lo]) / (hi - lo)[:, None])


def _smooth(
    score: npt.NDArray[np.float64], change_cost: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Best path where each change of state costs the same, and the share of its state in each step."""
    n, states = score.shape
    best = score[0].copy()
    back = np.zeros((n, states), dtype=np.int64)
    for i in range(1, n):
        top = int(np.argmax(best))
        stay = best >= best[top] - change_cost
        back[i] = np.where(stay, np.arange(states), top)
        best = np.where(stay, best, best[top] - change_cost) + score[i]
    path = np.zeros(n, dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    odds = np.exp(score - score.max(axis=1, keepdims=True))
    belief = odds / odds.sum(axis=1, keepdims=True)
    return path, belief[np.arange(n), path]
