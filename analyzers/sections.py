"""Sections: where the arrangement changes, at bar lines, equal parts under equal letters.

First version: novelty of a bar-by-bar self-similarity matrix (Foote, ICME 2000).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analyzers.chords import mean_between
from analyzers.features import Features
from analyzers.model import Grid, Section
from analyzers.tuning import find_tuning


def find_sections(f: Features, grid: Grid) -> tuple[Section, ...]:
    """Parts of the track from 0 to its end; one part when nothing changes."""
    edges, first_number = _bar_edges(f, grid)
    if len(edges) < 6:
        return (Section(0.0, f.duration_s, "A", first_number, 0.3),)
    cents = find_tuning(f).cents or 0.0
    notes = np.sqrt(f.spectrum.notes(cents))
    bars = mean_between(notes, edges)
    bars = bars / max(float(bars.std()), 1e-9)
    distance = np.linalg.norm(bars[:, None] - bars[None], axis=2)
    similar = np.exp(-distance / max(float(np.median(distance)), 1e-9))
    novelty = _novelty(similar, 4)
    cuts = [
        i
        for i in range(2, len(novelty) - 1)
        if novelty[i] == novelty[max(0, i - 3) : i + 4].max() and novelty[i] > 1.2 * novelty.mean()
    ]
    bounds = [0, *cuts, len(edges) - 1]
    letters = _letters(bars, bounds, float(np.median(distance)))
    return tuple(
        Section(float(edges[a]), float(edges[b]), letter, first_number + a, 0.5)
        for a, b, letter in zip(bounds, bounds[1:], letters, strict=False)
    )


def _bar_edges(f: Features, grid: Grid) -> tuple[npt.NDArray[np.float64], int]:
    if grid.tempo_bpm is None or not any(grid.downbeats):
        n = max(1, round(f.duration_s / 2.0))
        return np.linspace(0.0, f.duration_s, n + 1), 1
    lines = [
        b for b, d in zip(grid.beats_s, grid.downbeats, strict=True) if d and 0.05 < b < f.duration_s - 0.05
    ]
    edges = np.concatenate(([0.0], lines, [f.duration_s]))
    bar_one = grid.bar_one_s if grid.bar_one_s is not None else (lines[0] if lines else 0.0)
    first = 1 - int(np.argmin(np.abs(edges[:-1] - bar_one)))
    return edges, first


def _novelty(similar: npt.NDArray[np.float64], reach: int) -> npt.NDArray[np.float64]:
    """Checkerboard kernel along the diagonal: value i judges a cut before bar i."""
    n = len(similar)
    out = np.zeros(n)
    for i in range(1, n):
        r = min(reach, i, n - i)
        before, after = slice(i - r, i), slice(i, i + r)
        out[i] = (
            similar[before, before].mean() + similar[after, after].mean() - 2 * similar[before, after].mean()
        )
        out[i] *= r / reach
    return out


def _letters(bars: npt.NDArray[np.float64], bounds: list[int], scale: float) -> list[str]:
    means = [bars[a:b].mean(axis=0) for a, b in pairwise(bounds)]
    groups: list[npt.NDArray[np.float64]] = []
    names = []
    for mean in means:
        near = [float(np.linalg.norm(mean - g)) for g in groups]
        if near and min(near) < 0.5 * scale:
            names.append(int(np.argmin(near)))
        else:
            groups.append(mean)
            names.append(len(groups) - 1)
    return [chr(ord("A") + n % 26) for n in names]
