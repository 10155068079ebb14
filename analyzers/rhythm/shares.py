"""Probabilities of what it may be instead, beside how sure an answer is: together at most 1.

The answer's confidence is calibrated, those of the others come from the networks as they are, or belong to
readings that were made less or more sure since.
"""

from __future__ import annotations

from collections.abc import Sequence

# Half or double the tempo is the same grid, counted at another level, and no rival but another question: its
# share is kept from `LEVEL` on, however sure the tempo is (of 32 songs with shares from there to `OPEN_LEVEL`
# 16 may be counted so); from `OPEN_LEVEL` on the song may as well be counted so
LEVEL = 0.05
OPEN_LEVEL = 0.3
# Beats in four that the trade counts both ways (half-time and double-time, common practice): of 58 generated
# beats below 75 BPM or from 138 on 38 are, of 115 between 15. Their other level is offered, with `LEVEL` at
# least: it is no question
SLOW_BPM, FAST_BPM = 75.0, 138.0
Shares = tuple[tuple[float, float], ...]


def beside(sure: float, others: Sequence[tuple[float, float]]) -> Shares:
    """(what, probability) of the others, with what is left beside `sure` at most."""
    total = sum(p for _, p in others)
    left = min((1.0 - sure) / total, 1.0) if total > 0.0 else 1.0
    return tuple((what, p * left) for what, p in others)


def beside_tempo(sure: float, ratio: float, tempi: Shares, counted_too: float | None = None) -> Shares:
    """(beat period, probability), first the found one, as probable as it is sure, then the likeliest. Half
    and double the tempo keep their share from `LEVEL` on.

    ratio, tempi : beat period in pulses that was found; all of them with what the networks say
    counted_too : beat period, in those of the found one, that such music is counted in as well
    """
    levels = {r: max(p, LEVEL * (r / ratio == counted_too)) for r, p in tempi if r / ratio in (0.5, 2.0)}
    kept = {r: p for r, p in levels.items() if p >= LEVEL}
    others = dict(beside(sure, [(r, p) for r, p in tempi if r != ratio and r not in kept])) | kept
    return ((ratio, sure), *sorted(others.items(), key=lambda item: -item[1]))


def counted_too(bpm: float, beats: int) -> float | None:
    """Beat period, in those of the beat, that the trade counts in as well at such a tempo; None where it does
    not. `beats`: in a bar."""
    if beats != 4:
        return None
    return 2.0 if bpm >= FAST_BPM else 0.5 if bpm < SLOW_BPM else None
