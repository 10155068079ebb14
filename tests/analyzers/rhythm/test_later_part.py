"""What follows an introduction is asked by itself whether its bar lines are half a beat off the song's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzers.rhythm import grid as grid_module
from analyzers.rhythm import later_part
from analyzers.rhythm.later_part import UNSURE, less_sure
from analyzers.rhythm.meter import Reading
from analyzers.rhythm.meter_evidence import SIZE, Hypotheses
from tests.analyzers.grid_kit import HAT, KICK, SNARE, grid_of, onsets_of, place, tone

START_S, BPM = 0.3, 124.0
BEAT_S = 60 / BPM
PULSES_S = START_S % BEAT_S + BEAT_S * np.arange(118)
AHEAD = round((START_S - PULSES_S[0]) / BEAT_S)  # pulses before bar one
RIGHT = Reading(1.0, float(AHEAD), 4, 0.99, 0.99, 0.99, 0.95, ((1.0, 0.99),), ((2.0, 0.02), (0.5, 0.01)))


def house(drums_at: int) -> np.ndarray:
    """28 bars: stabs and bass on every "and"; from a bar on kicks on the beats, claps on 2 and 4, hats."""
    out = []
    for bar in range(28):
        line, root = START_S + 4 * bar * BEAT_S, 110.0 * (1.0, 0.84, 1.33, 1.5)[bar % 4]
        for k in range(4):
            at = line + (k + 0.5) * BEAT_S
            out += [(at, tone(root * r, 0.25 * BEAT_S), g) for r, g in ((0.5, 1.0), (2, 0.5), (3, 0.5))]
            if bar >= drums_at:
                out += [(line + k * BEAT_S, KICK, 0.75), (at, HAT, 0.6)]
                out += [(line + k * BEAT_S, SNARE, 0.6)] * (k % 2)
    return place(START_S + 112 * BEAT_S + 0.5, out)


@pytest.mark.parametrize("late", [0.5, -0.5])
def test_bar_lines_that_the_later_part_has_half_a_beat_off_are_not_sure(late: float) -> None:
    wrong = replace(RIGHT, offset=AHEAD + late)
    found = less_sure(onsets_of(house(drums_at=4)), PULSES_S, wrong)

    assert found.bar_probability == UNSURE
    lines = dict(found.other_lines)
    assert lines[-late] == pytest.approx(1 - UNSURE - 0.02 - 0.01 * (late > 0))
    assert lines[2.0] == 0.02


@pytest.mark.parametrize("drums_at", [0, 4, 8])
def test_bar_lines_that_the_later_part_shares_stay_as_sure(drums_at: int) -> None:
    assert less_sure(onsets_of(house(drums_at)), PULSES_S, RIGHT) is RIGHT


def test_where_no_bar_line_half_a_beat_off_is_likely_nobody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(later_part, "weigh", None)
    sure = replace(RIGHT, other_lines=((2.0, 0.04), (-1.0, 0.01)))
    assert less_sure(onsets_of(house(0)[:44100]), PULSES_S, sure) is sure


def test_the_grid_is_doubted_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    song = house(drums_at=0)
    assert grid_of(song).bar_one_confidence > 0.8
    monkeypatch.setattr(grid_module, "less_sure", lambda onsets, pulses, reading: reading.doubted(0.6, 0.5))
    assert grid_of(song).bar_one_confidence <= 0.6


@pytest.mark.parametrize(
    ("all_told", "drums", "doubted"),
    [(0.60, 0.50, True), (0.54, 0.50, False), (0.60, 0.30, True), (0.60, 0.25, False)],
)
def test_even_odds_and_drums_that_speak_against_it_are_no_doubt(
    monkeypatch: pytest.MonkeyPatch, all_told: float, drums: float, doubted: bool
) -> None:
    """A share of 0.54 is less than 1.25 to 1, drums of 0.25 are 3 to 1 against it."""
    first = int(later_part.BEGINNING * len(PULSES_S))
    offset = AHEAD - first + np.array([40.0, 40.5])
    h = Hypotheses(
        np.ones(2), offset, np.full(2, 4), np.zeros(2, int), np.zeros(2, int), np.ones((2, SIZE), np.float32)
    )
    monkeypatch.setattr(later_part, "weigh", lambda *_: h)
    shares = iter([all_told, drums])
    monkeypatch.setattr(later_part, "probabilities", lambda _: np.array([1 - (p := next(shares)), p]))
    found = less_sure(onsets_of(house(0)[:44100]), PULSES_S, RIGHT)
    assert (found is not RIGHT) is doubted


def test_a_doubted_reading_gives_what_is_open_to_the_other_line() -> None:
    found = RIGHT.doubted(0.6, 3.5)
    assert found.bar_probability == 0.6
    assert dict(found.other_lines) == pytest.approx({-0.5: 0.37, 2.0: 0.02, 0.5: 0.01})
    assert replace(RIGHT, bar_probability=0.4).doubted(0.6, 0.5).bar_probability == 0.4
