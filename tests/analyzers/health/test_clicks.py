"""Clicks, and what is none: attacks, steps, pulses of a wave, the crackle of a record."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analyzers.health_kit import RATE, clean, faults


def smooth() -> np.ndarray:
    """Music without its bright strokes: low notes and chords."""
    t = np.arange(8 * RATE) / RATE
    tones = sum(0.1 * np.sin(2 * np.pi * hz * t + k) for k, hz in enumerate((55, 220, 277, 330, 660)))
    noise = np.random.default_rng(2).standard_normal((8 * RATE, 2)) * 0.001
    return (np.repeat(tones[:, None], 2, axis=1) + noise).astype(np.float32)


@pytest.mark.parametrize("length", [1, 2, 3])
@pytest.mark.parametrize("channels", [slice(None), 0, 1])
@pytest.mark.parametrize("at", [4 * RATE, 4 * (1 << 14), 8 * (1 << 14) - 1])
def test_samples_that_stand_out_are_named_with_their_place(
    length: int, channels: slice | int, at: int
) -> None:
    """Also where one block of the search ends and the next begins."""
    samples = smooth()
    samples[at : at + length, channels] += 0.4
    flag = faults(samples)["click"]
    assert flag.severity == "warning"
    assert flag.amount == 1
    assert flag.places_s[0][0] == pytest.approx(at / RATE, abs=4 / RATE)
    assert flag.text == "A click."


def test_several_are_counted_and_the_first_three_placed() -> None:
    samples = smooth()
    for k in range(6):
        samples[RATE + k * 50000] -= 0.5
    flag = faults(samples)["click"]
    assert (flag.amount, len(flag.places_s)) == (6, 3)


def test_music_has_none() -> None:
    assert "click" not in faults(clean())
    assert "click" not in faults(smooth())


def test_the_first_samples_of_an_attack_are_none() -> None:
    samples, rng = smooth(), np.random.default_rng(3)
    for k in range(10):
        at = RATE // 2 + k * 30000
        stroke = rng.standard_normal((4000, 1)) * np.exp(-np.arange(4000) / 400)[:, None] * 0.2
        stroke[0] = 0.6
        samples[at : at + 4000] += stroke.astype(np.float32)
    assert "click" not in faults(samples)


def test_a_wave_of_steps_or_pulses_is_none() -> None:
    t = np.arange(8 * RATE)
    saw = 0.5 * ((t / 400) % 1) - 0.25
    pulses = np.where(t % 800 < 2, 0.5, 0.0)
    for wave in (saw, pulses):
        samples = smooth() + wave[:, None].astype(np.float32)
        assert "click" not in faults(samples)


def test_the_crackle_of_a_record_is_none() -> None:
    samples, rng = smooth(), np.random.default_rng(4)
    samples[rng.integers(RATE, 7 * RATE, 60), rng.integers(0, 2, 60)] += 0.3
    assert "click" not in faults(samples)


def test_a_few_pulses_in_a_row_are_a_sound() -> None:
    """Each stands out of what is smooth around it, but not of the next one, 3 ms away."""
    samples = smooth()
    for k in range(10):
        samples[2 * RATE + k * 150] += 0.4
    assert "click" not in faults(samples)
