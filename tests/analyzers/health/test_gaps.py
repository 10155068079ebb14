"""Holes in the music, and pauses that are none."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analyzers.health_kit import RATE, clean, faults, words


def sounding(seed: int = 1) -> np.ndarray:
    """Clean music with a steady part, so that every moment sounds."""
    rng = np.random.default_rng(seed)
    samples = clean(seed=seed)
    samples[RATE // 2 :] += (rng.standard_normal((len(samples) - RATE // 2, 2)) * 0.1).astype(np.float32)
    return samples


@pytest.mark.parametrize("ms", [1.0, 3.0, 20.0, 80.0])
@pytest.mark.parametrize("channels", [slice(None), 0, 1])
def test_digital_zeros_inside_music(ms: float, channels: slice | int) -> None:
    samples = sounding()
    at = round(3.3 * RATE)
    samples[at : at + round(ms / 1000 * RATE), channels] = 0
    flag = faults(samples)["dropout"]
    assert flag.severity == "warning"
    assert flag.start_s == pytest.approx(3.3, abs=0.001)
    assert flag.amount == 1
    assert flag.places_s == ((pytest.approx(3.3, abs=0.001), pytest.approx(3.3 + ms / 1000, abs=0.001)),)
    assert f"{ms:.1f} ms" in flag.text


@pytest.mark.parametrize("ms", [1.0, 10.0, 60.0])
def test_held_samples(ms: float) -> None:
    samples = sounding()
    for at in (2 * RATE, 5 * RATE):
        samples[at : at + round(ms / 1000 * RATE)] = samples[at]
    assert faults(samples)["dropout"].amount == 2


def test_coarse_words_hold_what_hardly_moves() -> None:
    """A low note of a few steps stays on one of them until a stroke begins; that is no hole, zeros are."""
    t = np.arange(8 * RATE) / RATE
    stroke = np.random.default_rng(3).standard_normal(8 * RATE) * np.exp(-(t % 0.11) * 60) * 0.05
    samples = words((0.03 * np.sin(2 * np.pi * 41 * t) + stroke)[:, None].repeat(2, axis=1), 8)
    samples[::RATE] = 0.9
    assert "dropout" not in faults(samples)
    at = round(0.11 * 30 * RATE) + 20  # inside a stroke
    samples[at - 1], samples[at : at + 100], samples[at + 100] = 0.1, 0, -0.1
    assert faults(samples)["dropout"].amount == 1


def test_a_part_that_was_clipped_before_the_mix_has_no_dropouts() -> None:
    """Heard alone it holds one value again and again, far below the peak of the mix."""
    samples = sounding() * 0.2
    for at in np.arange(1, 7, 0.4):
        start = round(at * RATE)
        burst = np.clip(2 * np.sin(2 * np.pi * 150 * np.arange(RATE // 20) / RATE), -0.3, 0.3)
        samples[start : start + RATE // 20] = burst[:, None].astype(np.float32)
    samples[-1000:] *= 10
    assert "dropout" not in faults(samples)
    samples[round(7.2 * RATE) :][:200] = 0
    assert faults(samples)["dropout"].amount == 1


def test_pauses_that_fade_are_none() -> None:
    """Strokes that die away, digital silence in between, the next stroke from nothing."""
    samples = np.zeros((6 * RATE, 2), np.float32)
    t = np.arange(round(0.2 * RATE)) / RATE
    stroke = 0.8 * np.exp(-t * 30) * np.sin(2 * np.pi * 200 * t) * np.linspace(1, 0, len(t))
    for k in range(20):
        at = RATE // 2 + k * round(0.25 * RATE)
        samples[at : at + len(stroke)] += stroke[:, None].astype(np.float32)
    assert "dropout" not in faults(samples)


def test_a_long_break_is_music() -> None:
    samples = sounding()
    samples[3 * RATE : 4 * RATE] = 0
    assert "dropout" not in faults(samples)


@pytest.mark.parametrize(("ms", "is_fault"), [(140, True), (160, False), (500, False)])
def test_a_hole_that_anyone_would_have_heard_is_a_pause(ms: int, is_fault: bool) -> None:
    samples = sounding()
    at = round(3.3 * RATE)
    samples[at : at + ms * RATE // 1000] = 0
    assert ("dropout" in faults(samples)) == is_fault


def test_slow_low_notes_hold_no_samples() -> None:
    """A quiet 25 Hz sine in 16-bit words has runs of equal words at its tops."""
    tone = 0.05 * np.sin(2 * np.pi * 25 * np.arange(4 * RATE) / RATE)
    samples = np.repeat(np.rint(tone * 32768)[:, None] / 32768, 2, axis=1).astype(np.float32)
    assert "dropout" not in faults(samples)
