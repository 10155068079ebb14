"""The steady pulse where the music repeats most evenly at a length that is no beat."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.pulse import find_pulse
from tests.analyzers.grid_kit import HAT, KICK, grid_of, onsets_of, pattern, place, tone

START_S = 0.3


def chained(bpm: float, chords: int, bars: int, hats: int = 0) -> np.ndarray:
    """32 bars with so many chords, dotted eighths apart, that start anew each so many bars."""
    beat, out = 60 / bpm, []
    for bar in range(32):
        line = START_S + 4 * bar * beat
        if bar % bars == 0:
            times = line + 0.75 * beat * np.arange(chords)
            out += [(at, tone(hz, 0.25 * beat), 0.5) for at in times for hz in (110.0, 220.0, 277.2, 329.6)]
        out.append((line, KICK, 0.5))
        out += [(line + k * 4 / hats * beat, HAT, 0.3) for k in range(hats)]
    return place(START_S + 128 * beat + 0.5, out)


@pytest.mark.parametrize(
    ("bpm", "chords", "bars", "hats"),
    [(131.0, 5, 1, 0), (122.0, 5, 1, 0), (138.0, 11, 2, 4)],
)
def test_chains_of_dotted_eighths_that_start_anew_are_constant(
    bpm: float, chords: int, bars: int, hats: int
) -> None:
    grid = grid_of(chained(bpm, chords, bars, hats))

    assert grid.tempo_bpm is not None
    assert min(abs(grid.tempo_bpm / bpm - level) for level in (0.5, 1.0)) < 1e-6
    assert grid.constant_tempo is True
    assert grid.bar_one_s == pytest.approx(START_S, abs=0.005)


def test_a_beat_that_moves_keeps_its_coarse_period() -> None:
    """No lattice in a small ratio makes sense of a tempo that runs away by a tenth."""
    beats = START_S + np.cumsum(60 / np.linspace(100.0, 110.0, 90))
    pulse = find_pulse(onsets_of(place(float(beats[-1]) + 1, pattern(beats))))

    assert pulse is not None
    assert pulse.moving_s is not None
    assert min(abs(pulse.period_s / (60 / 105) - level) for level in (0.5, 1.0, 2.0)) < 0.06
