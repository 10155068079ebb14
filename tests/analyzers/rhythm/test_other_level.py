"""A pattern that goes on at another rate has the same autocorrelation an octave away (Grosche, Müller and
Kurth, "Cyclic tempogram", ICASSP 2010); one with more hats, or a break, has not."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.model import OtherLevel
from analyzers.rhythm.other_level import other_level
from tests.analyzers.grid_kit import HAT, even, grid_of, onsets_of, pattern, place

SLOW, SECONDS, HALF_S = 75.0, 104.0, 51.2  # a bar line of either tempo
BAR_S = 4 * 60 / SLOW


def halves(first: float, second: float, at_s: float = HALF_S) -> list[tuple[float, np.ndarray, float]]:
    """The same pattern in one tempo up to there and in another from there on."""
    beats = even(first, 0.0, at_s)
    return pattern([*beats[beats < at_s - 0.01], at_s]) + pattern(even(second, at_s, SECONDS))


def told(strokes: list[tuple[float, np.ndarray, float]], bpm: float) -> OtherLevel | None:
    return other_level(onsets_of(place(SECONDS, strokes)), bpm, even(bpm / 4, 0.0, SECONDS))


@pytest.mark.parametrize("bpm", [SLOW, 2 * SLOW])
@pytest.mark.parametrize(("first", "second"), [(SLOW, 2 * SLOW), (2 * SLOW, SLOW)])
def test_of_a_tempo_that_doubles_or_halves_the_other_part_is_told(
    first: float, second: float, bpm: float
) -> None:
    """Whichever of the two the whole song was given."""
    found = told(halves(first, second), bpm)
    assert found is not None
    assert found.bpm == (first if bpm == second else second)
    at_s, none = (found.to_s, found.from_s) if bpm == second else (found.from_s, found.to_s)
    assert none is None
    assert at_s == pytest.approx(HALF_S, abs=2 * BAR_S + 0.01)


def test_twice_the_hats_over_the_same_drums_are_no_other_tempo() -> None:
    """Sixteenths or 32nds for eighths: kick, snare and bass go on as they were."""
    beats = even(SLOW, 0.0, SECONDS)
    for rate in (4, 8):
        more = [(at, HAT, 0.7) for at in even(rate * SLOW, HALF_S, SECONDS)]
        assert told(pattern(beats) + more, SLOW) is None


def test_a_break_and_drums_that_come_in_are_no_other_tempo() -> None:
    beats = even(SLOW, 0.0, SECONDS)
    strokes = pattern(beats)
    assert told(strokes, SLOW) is None
    hats = [(at, HAT, 1.0) for at in even(2 * SLOW, 0.0, HALF_S)]
    assert told([*hats, *(s for s in strokes if s[0] >= HALF_S - 0.01)], SLOW) is None


def test_a_short_part_says_nothing() -> None:
    for bpm in (SLOW, 2 * SLOW):
        assert told(halves(SLOW, 2 * SLOW, 4 * BAR_S), bpm) is None
        assert told(halves(SLOW, 2 * SLOW, SECONDS - 4 * BAR_S), bpm) is None
    assert other_level(onsets_of(np.zeros(44100)), SLOW, np.array([0.0])) is None


def test_the_grid_of_such_a_song_is_one_tempo_and_names_the_other() -> None:
    grid = grid_of(place(SECONDS, halves(SLOW, 2 * SLOW)))
    assert grid.constant_tempo is True
    assert grid.other_level is not None
    assert {round(grid.tempo_bpm or 0), round(grid.other_level.bpm)} == {75, 150}
    assert grid_of(place(60.0, pattern(even(SLOW, 0.0, 60.0)))).other_level is None
