"""Boundaries between diatonic collections on chord probabilities written by hand."""

from __future__ import annotations

import numpy as np

from analyzers.harmonics import metric_weight
from analyzers.keychange import find_boundaries
from analyzers.voicing import QUALITIES

NAMES = list(QUALITIES)
C_MAJOR = [(0, "maj"), (9, "min"), (5, "maj"), (7, "maj")]


def sure(bars: list[tuple[int, str] | None]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chord probabilities, no-chord probabilities and place in the meter, four beats for each entry."""
    steps = [bar for bar in bars for _ in range(4)]
    chords = np.full((len(steps), 12, len(NAMES)), 1e-4, np.float32)
    none = np.zeros(len(steps), np.float32)
    for i, step in enumerate(steps):
        if step is None:
            none[i] = 0.98
        else:
            chords[i, step[0], NAMES.index(step[1])] = 0.98
    return chords, none, metric_weight(np.arange(len(steps)) % 4 == 0, 0)


def moved(by: int) -> list[tuple[int, str] | None]:
    return [((root + by) % 12, quality) for root, quality in C_MAJOR]


def boundaries(bars: list[tuple[int, str] | None]) -> list[int]:
    return find_boundaries(*sure(bars))


def test_a_step_up_by_a_semitone_is_found_on_its_bar() -> None:
    assert boundaries(moved(0) * 3 + moved(1) * 3) == [48]


def test_two_changes_are_found() -> None:
    assert boundaries(moved(0) * 3 + moved(2) * 3 + moved(4) * 3) == [48, 96]


def test_one_borrowed_bar_is_no_change() -> None:
    assert boundaries([*moved(0) * 2, (8, "maj"), *moved(0) * 2]) == []


def test_a_rest_between_equal_keys_is_no_change() -> None:
    assert boundaries([*moved(0) * 2, *[None] * 8, *moved(0) * 2]) == []


def test_without_a_grid_there_is_no_bar_line_to_change_on() -> None:
    chords, none, _ = sure(moved(0) * 3 + moved(1) * 3)
    assert find_boundaries(chords, none, None) == []
