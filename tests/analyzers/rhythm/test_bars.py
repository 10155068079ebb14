"""Counting beats and bars on a grid."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.rhythm.bars import bar_lines, bar_one_index, beat_index, change_s
from tests.analyzers.harmony_kit import grid, no_grid


def test_bar_one_is_one_and_the_bar_before_it_is_none() -> None:
    on = replace(grid(8.0), bar_one_s=2.0)  # 120 BPM, 4/4, lines at 0, 2, 4, 6 s
    assert bar_lines(on) == [(0, 0.0), (1, 2.0), (2, 4.0), (3, 6.0)]
    assert bar_one_index(on) == 4


@pytest.mark.parametrize(("at_s", "index"), [
    (0.0, 0), (0.24, 0), (0.26, 1), (3.5, 7), (-1.0, -2), (-0.2, 0), (4.5, 9), (3.7, 7),
])  # fmt: skip
def test_beats_are_counted_on_before_and_after_the_file(at_s: float, index: int) -> None:
    assert beat_index(grid(4.0), at_s) == index  # eight beats, 0 to 3.5 s


def test_bar_one_outside_the_file_still_numbers_its_bars() -> None:
    assert bar_lines(replace(grid(4.0), bar_one_s=-2.0)) == [(2, 0.0), (3, 2.0)]
    assert bar_lines(no_grid()) == []
    assert bar_one_index(no_grid()) is None


def test_a_tempo_changes_once_or_not_at_all() -> None:
    steady = grid(8.0)
    once = replace(steady, constant_tempo=False, tempo_curve=((0.0, 120.0), (4.0, 100.0)))
    assert change_s(once) == 4.0
    assert change_s(replace(once, tempo_curve=(*once.tempo_curve, (6.0, 110.0)))) is None
    assert change_s(replace(once, constant_tempo=True)) is None
    assert change_s(no_grid()) is None
