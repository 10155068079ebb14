"""Bars of other lengths than two, three or four beats. True is arithmetic: where the strokes were put."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.odd_bars import other_bars
from tests.analyzers.grid_kit import HAT, KICK, SNARE, grid_of, onsets_of, place

START, PERIOD = 0.5, 0.5
Strokes = list[tuple[float, np.ndarray, float]]


def bars(lengths: list[float]) -> np.ndarray:
    """Kick on the one, snare on the three, kick on the four where there is one; hats throughout."""
    strokes: Strokes = []
    at = START
    for beats in lengths:
        strokes += [(at, KICK, 1.0), (at + 2 * PERIOD, SNARE, 1.0)]
        strokes += [(at + 3 * PERIOD, KICK, 0.7)] if beats > 3 else []
        strokes += [(at + k * PERIOD / 2, HAT, 0.8) for k in range(int(2 * beats))]
        at += beats * PERIOD
    return place(at + 0.5, strokes)


@pytest.mark.parametrize(
    ("lengths", "found", "other"),
    [
        ([4.0] * 24, 4, None),
        ([3.0] * 32, 3, None),
        ([5.0] * 20, 4, "5/4"),
        ([3.5] * 28, 4, "7/8"),
        ([7.0] * 14, 4, "7/4"),
        ([4.0] * 12 + [3.0] * 16, 4, "3/4"),
        ([3.0] * 16 + [4.0] * 12, 3, "4/4"),
        ([5.0] * 10, 4, None),  # too short to ask
        ([5.0] * 20, 2, None),  # dotted beats
    ],
)
def test_bars_of_another_length_are_heard(lengths: list[float], found: int, other: str | None) -> None:
    beats = START + PERIOD * np.arange(int(sum(lengths)))

    assert other_bars(onsets_of(bars(lengths)), beats, found) == other


@pytest.mark.parametrize("lengths", [[5.0] * 20, [4.0] * 12 + [3.0] * 16])
def test_a_meter_that_is_none_of_those_that_can_be_found_is_doubted(lengths: list[float]) -> None:
    grid = grid_of(bars(lengths))

    assert grid.meter_confidence < 0.5
    assert grid.meter_alternatives[0].probability > grid.meter_confidence
    assert grid.meter_confidence + sum(c.probability for c in grid.meter_alternatives) <= 1.0 + 1e-9
