"""Beats to seconds."""

import numpy as np
import pytest

from demo.clock import Clock, swung


def test_steady_beats_are_sixty_over_bpm_apart_and_do_not_drift():
    clock = Clock.steady(1.5, 93.37)
    assert clock.at(0) == 1.5
    assert clock.at(1000) == pytest.approx(1.5 + 1000 * 60 / 93.37, abs=1e-9)
    assert clock.at(-2) == pytest.approx(1.5 - 2 * 60 / 93.37, abs=1e-9)


def test_played_beats_follow_each_tempo_and_carry_on_outside():
    clock = Clock.played(0.25, np.array([120.0, 60.0, 60.0]))
    assert clock.at([0, 1, 2, 3, 4, -1]).tolist() == pytest.approx([0.25, 0.75, 1.75, 2.75, 3.75, -0.25])


def test_swing_moves_only_the_off_steps():
    beats = np.array([0, 0.25, 0.5, 0.75, 1.0])
    assert swung(beats, 0.5, 0.5).tolist() == pytest.approx(beats.tolist())
    assert swung(beats, 2 / 3, 0.5).tolist() == pytest.approx([0, 1 / 3, 0.5, 5 / 6, 1.0])
    assert swung([-0.25], 2 / 3, 0.5).tolist() == pytest.approx([-1 / 6])
