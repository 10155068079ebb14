"""Stems whose silence at the front was cut away: at a common start they are not the song any more.

Stems that differ in length mostly lack some silence at their ends. Those that lack it at the front begin with
their first sound, all of them, end in silence as a bounce does, and strike with the others when all are moved
to a common end. Length alone tells neither, and at a common start whatever is cut by beats strikes together,
too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.structure.stem_traits import BLOCK_S, attacks_of

Floats = npt.NDArray[np.float32]

LEAST_S = 0.05  # a shorter difference of length is none
AT_ONCE_S = 0.02  # what begins with its first sound does so
ENDING_S = 0.1  # silence at the end of what was not cut there
SLACK = 1  # blocks by which attacks may differ
TOGETHER = 0.1  # mean correlation of attacks at a common end; by chance it is within 0.05 of 0


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """One stem: `level` of each 10 ms in dB (`stem_traits.level_of`); `first_s` of its first sound."""

    level: Floats
    duration_s: float
    first_s: float | None  # None: silent


def lacking_fronts(stems: Sequence[Outline]) -> tuple[float | None, ...]:
    """Seconds that each stem seems to lack at its front, None where it does not; all None as a rule."""
    none: tuple[float | None, ...] = (None,) * len(stems)
    heard = [k for k, one in enumerate(stems) if one.first_s is not None]
    if len(heard) < 2 or any((stems[k].first_s or 0.0) > AT_ONCE_S for k in heard):
        return none
    longest_s = max(stems[k].duration_s for k in heard)
    lacks = {k: longest_s - stems[k].duration_s for k in heard}
    short = [k for k in heard if lacks[k] >= LEAST_S]
    whole = [attacks_of(stems[k].level) for k in heard if k not in short]
    rest = np.sum([row[: min(map(len, whole))] for row in whole], axis=0)
    if not short or any(_ending_s(stems[k].level) < ENDING_S for k in short):
        return none
    fits = [_together(attacks_of(stems[k].level), rest) for k in short]
    return (
        tuple(lacks.get(k) if k in short else None for k in range(len(stems)))
        if np.mean(fits) >= TOGETHER
        else none
    )


def _ending_s(level: Floats) -> float:
    """Silence after the last sound."""
    loud = np.flatnonzero(level > level.min())
    return (len(level) - 1 - int(loud[-1])) * BLOCK_S if len(loud) else 0.0


def _together(short: Floats, rest: Floats) -> float:
    """Correlation of the attacks of one stem with those of the whole ones at a common end."""
    begin = max(len(rest) - len(short), 0)
    found = []
    for late in range(-SLACK, SLACK + 1):
        there = np.roll(rest, late)[begin:]
        one = short[-len(there) :]
        a, b = one - one.mean(), there - there.mean()
        scale = float(np.linalg.norm(a)) * float(np.linalg.norm(b))
        found.append(float(a @ b) / scale if scale else 0.0)
    return max(found)
