"""Sections: where the arrangement changes, at bar lines, equal parts under equal letters.

Evidence of a new section at every bar line (`section_evidence`) becomes a probability in a small
network; the boundaries are the set that is most probable together when sections like to last whole
groups of four and eight bars (common practice). Parts that sound alike share a letter (A, B, A, C).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from analyzers.harmony.chords import EDGE_S, mean_between
from analyzers.model import Grid, Section, Tuning
from analyzers.signal.features import Features
from analyzers.signal.perceptron import hidden
from analyzers.signal.spectrum import FRAME_RATE_HZ
from analyzers.signal.weights_file import stored_weights
from analyzers.structure.section_evidence import bar_pictures, boundary_evidence

WITHOUT_GRID_S = 2.0  # "bar" where there is no beat
READINESS = 1.0  # added to the log odds of every boundary: a missed one costs more than one too many
WHOLE_GROUP = 0.5  # log weight of a length of 4 bars' multiple, and again of 8
LEAST_BARS = 2
LONGEST_BARS = 128
SHORT_COST = 9.0  # log weight taken from a section under LEAST_BARS: set by hand, next to never
ALIKE = 0.75  # distance under which two parts share a letter
CHROMA_SHARE = 0.5
SILENT_DB, QUIETEST_DB = 55.0, -100.0  # below the loudest bar; below full scale

Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class BoundaryNet:
    """Log odds of a section's start from the evidence of a bar line: one hidden layer."""

    mean: Floats
    scale: Floats
    w1: Floats
    b1: Floats
    w2: Floats
    b2: Floats

    def log_odds(self, evidence: Floats) -> npt.NDArray[np.float64]:
        h = hidden((evidence - self.mean) / self.scale, (self.w1, self.b1))
        return np.asarray(h @ self.w2 + self.b2, dtype=np.float64)


@cache
def load_boundary_net() -> BoundaryNet:
    return BoundaryNet(**stored_weights("harmony_sections"))


def find_sections(f: Features, tuning: Tuning, grid: Grid) -> tuple[Section, ...]:
    """Parts of the track, without gaps, from the first bar that sounds to the end.

    One part "A" when nothing changes; () when the track is silent. Bars of two seconds stand in where
    there is no grid.
    """
    edges, bar_one = bar_edges(grid, f.duration_s)
    sounding = np.flatnonzero(_sounds(f.spectrum.bands_db, edges))
    if len(sounding) == 0:
        return ()
    power = mean_between(10 ** (f.spectrum.bands_db / 10), edges)
    bands = np.asarray(10 * np.log10(power + 1e-12), np.float32)
    first = int(sounding[0])
    levels = mean_between(np.sqrt(f.spectrum.notes(tuning.cents or 0.0)), edges)
    looks, chroma = bar_pictures(bands[first:], levels[first:])
    odds = load_boundary_net().log_odds(boundary_evidence(looks, chroma, bar_one - first))
    bounds = best_boundaries(odds)
    letters = name_alike(looks, chroma, bounds)
    sure = expit(odds)
    sure[0] = 1.0
    return tuple(
        Section(
            float(edges[first + a]),
            float(edges[first + b]),
            letter,
            first + a - bar_one + 1,
            round(float(sure[a]), 3),
        )
        for (a, b), letter in zip(pairwise(bounds), letters, strict=True)
    )


def bar_edges(grid: Grid, duration_s: float) -> tuple[npt.NDArray[np.float64], int]:
    """Bar lines closed off by 0 and the end, and the index of bar one among the bars."""
    lines = [b for b, down in zip(grid.beats_s, grid.downbeats, strict=True) if down]
    lines = [b for b in lines if EDGE_S < b < duration_s - EDGE_S]
    if grid.tempo_bpm is None or not lines:
        return np.linspace(0.0, duration_s, max(1, round(duration_s / WITHOUT_GRID_S)) + 1), 0
    edges = np.array([0.0, *lines, duration_s])
    bar_one = grid.bar_one_s if grid.bar_one_s is not None else lines[0]
    return edges, int(np.argmin(np.abs(edges[:-1] - bar_one)))


def _sounds(bands_db: Floats, edges: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Which bars are not silent for more than four fifths of their length [shape=(bars,)]."""
    loud = 10 * np.log10((10 ** (bands_db / 10)).sum(axis=1))
    at = np.clip(np.rint(edges * FRAME_RATE_HZ).astype(int), 0, len(loud))
    level = [float(np.percentile(loud[min(a, len(loud) - 1) : max(b, a + 1)], 80)) for a, b in pairwise(at)]
    return np.array(level) > max(max(level) - SILENT_DB, QUIETEST_DB)


def best_boundaries(odds: npt.NDArray[np.float64]) -> list[int]:
    """Indices of the bars that start a section, the number of bars last (dynamic programming).

    ``odds`` [shape=(bars,)]: log odds that a section starts with this bar; the first one always does.
    """
    n = len(odds)
    best, back = np.full(n + 1, -np.inf), np.zeros(n + 1, dtype=np.int64)
    best[0] = 0.0
    gain = odds + READINESS
    gain[0] = 0.0
    for end in range(1, n + 1):
        start = np.arange(max(0, end - LONGEST_BARS), end)
        length = end - start
        total = best[start] + gain[start] + WHOLE_GROUP * ((length % 4 == 0) + 1.0 * (length % 8 == 0))
        if end < n:
            total = total - SHORT_COST * (length < LEAST_BARS)
        top = int(np.argmax(total))
        best[end], back[end] = total[top], start[top]
    bounds = [n]
    while bounds[-1] > 0:
        bounds.append(int(back[bounds[-1]]))
    return bounds[::-1]


def name_alike(looks: Floats, chroma: Floats, bounds: list[int]) -> list[str]:
    """Letters in order of appearance; a part takes the letter of the most similar earlier part, if near."""
    parts = [(looks[a:b].mean(axis=0), chroma[a:b].mean(axis=0)) for a, b in pairwise(bounds)]
    groups: list[int] = []
    for i, (look, tones) in enumerate(parts):
        gaps = [
            float(np.sqrt(np.mean((look - other) ** 2)) + CHROMA_SHARE * np.linalg.norm(tones - others))
            for other, others in parts[:i]
        ]
        near = int(np.argmin(gaps)) if gaps else -1
        groups.append(groups[near] if gaps and gaps[near] < ALIKE else max(groups, default=-1) + 1)
    return [letter(g) for g in groups]


def letter(number: int) -> str:
    """0 'A' ... 25 'Z', 26 'AA'."""
    return (letter(number // 26 - 1) if number >= 26 else "") + chr(ord("A") + number % 26)
