"""Counting beats and bars on a grid."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.rhythm.bars import bar_lines, bar_one_index, beat_index, beats_after_one, change_s
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


@pytest.mark.parametrize(
    ("beats", "at_s"),
    [(0, 1.0), (2, 2.0), (-1.5, 0.3), (4.5, 3.5), (5, 4.0), (5.5, 4.25), (-4, -1.0), (7, 4.5)],
)
def test_a_place_is_counted_along_the_beats_and_by_the_mean_tempo_beyond_them(
    beats: float, at_s: float
) -> None:
    """Eight beats at 120, the first and the seventh drawn out."""
    times = (0.0, 0.6, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
    drawn = replace(grid(4.0), bar_one_s=1.0, beats_s=times, downbeats=(False,) * 8)
    assert beats_after_one(drawn, beats) == pytest.approx(at_s)


def test_a_tempo_changes_once_or_not_at_all() -> None:
    steady = grid(8.0)
    once = replace(steady, constant_tempo=False, tempo_curve=((0.0, 120.0), (4.0, 100.0)))
    assert change_s(once) == 4.0
    assert change_s(replace(once, tempo_curve=(*once.tempo_curve, (6.0, 110.0)))) is None
    assert change_s(replace(once, constant_tempo=True)) is None
    assert change_s(no_grid()) is None
