"""How the attacks of the music sit on the grid that was found: numbers that anyone can check.

They do not tell a right grid from a wrong one: attacks that are far from it are taken for ones that are not
meant to be on it. Measured on music played by people with known beats and on generated beats: neither the
distances nor the share of attacks near the grid, over all or where it is least, tell a grid that leaves the
beat for some bars from one that holds.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.model import GridProof
from analyzers.rhythm.pulse import Pulse

FloatArray = npt.NDArray[np.floating]
CLEAR_DB = 12.0  # rise in 3 ms that counts as an attack
ON_GRID_S = 0.015  # farther from every sixteenth and triplet: not meant to be on the grid
LEAST = 16
POSITIONS = (0.0, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 1.0)  # of a beat: sixteenths and triplets


def prove(pulse: Pulse, beats_s: FloatArray, rate: float) -> GridProof | None:
    """Distances of the clear attacks from the nearest sixteenth or triplet; None with fewer than `LEAST`."""
    rise = pulse.rise
    peaks = np.flatnonzero((rise[1:-1] > rise[:-2]) & (rise[1:-1] >= rise[2:]) & (rise[1:-1] > CLEAR_DB)) + 1
    t = peaks / rate
    t = t[(t >= beats_s[0]) & (t <= beats_s[-1])]
    if len(t) < LEAST:
        return None
    u = np.interp(t, beats_s, np.arange(len(beats_s)))
    length = np.diff(beats_s)[np.minimum(u.astype(int), len(beats_s) - 2)]
    signed = np.stack([(u * m - np.round(u * m)) / m * length for m in (4, 3)])
    signed = signed[np.argmin(np.abs(signed), axis=0), np.arange(len(t))]
    on = np.abs(signed) < ON_GRID_S
    if on.sum() < LEAST:
        return None
    on_grid = float(on.mean())
    quarters = [float(part.mean()) for part in np.array_split(on, 4)] if len(on) >= 4 * LEAST else []
    t, signed = t[on], signed[on]
    centre = float(np.median(signed))
    first, last = t <= np.quantile(t, 1 / 3), t >= np.quantile(t, 2 / 3)
    return GridProof(
        attacks=int(on.sum()),
        median_ms=float(np.median(np.abs(signed - centre)) * 1e3),
        p95_ms=float(np.percentile(np.abs(signed - centre), 95) * 1e3),
        first_third_ms=float(np.median(signed[first]) * 1e3),
        last_third_ms=float(np.median(signed[last]) * 1e3),
        on_grid=on_grid,
        by_chance=_by_chance(beats_s),
        worst_quarter=min(quarters, default=None),
    )


def _by_chance(beats_s: FloatArray) -> float:
    """Share of the time that lies within `ON_GRID_S` of a sixteenth or triplet."""
    length = np.diff(beats_s)[:, None]
    near = np.minimum(np.diff(POSITIONS) * length, 2 * ON_GRID_S).sum(axis=1)
    return float(near.sum() / length.sum())
