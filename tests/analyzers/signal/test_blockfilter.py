"""The block form of a recursive filter against scipy's sample by sample one (a general-purpose reference)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from analyzers.level.loudness import k_weighting
from analyzers.signal.blockfilter import BLOCK, BlockFilter, Section

RATES_HZ = (8000, 44100, 48000, 192000, 384000)


def piecewise(sections: list[Section], x: np.ndarray, size: int) -> np.ndarray:
    filtered = BlockFilter(sections, len(x))
    return np.concatenate([filtered(x[:, at : at + size]) for at in range(0, x.shape[1], size)], axis=1)


def signals(length: int) -> np.ndarray:
    """Noise, and the constant that a high-pass next to 0 Hz finds hardest."""
    noise = np.random.default_rng(1).standard_normal(length)
    return np.stack((noise, np.ones(length))).astype(np.float32)


@pytest.mark.parametrize("rate", RATES_HZ)
@pytest.mark.parametrize("blocks", [1, 7, 1024])
def test_k_weighting_is_that_of_the_reference(rate: int, blocks: int) -> None:
    x, sections = signals(100_003 if blocks > 1 else 5_003), list(k_weighting(rate))
    expected = sosfilt([np.concatenate(section) for section in sections], x.astype(np.float64))
    np.testing.assert_allclose(piecewise(sections, x, blocks * BLOCK), expected, atol=4e-6)


def test_any_sections_in_series() -> None:
    sos = butter(6, [300, 5000], "bandpass", fs=44100, output="sos")
    x = signals(20_000)
    found = piecewise([(row[:3], row[3:]) for row in sos], x, 64 * BLOCK)
    np.testing.assert_allclose(found, sosfilt(sos, x.astype(np.float64)), atol=1e-5)


def test_a_long_signal_does_not_drift() -> None:
    """An hour at 8 kHz of a constant ends in the silence that a high-pass makes of it."""
    filtered = BlockFilter(k_weighting(8000), 1)
    piece = np.ones((1, 1024 * BLOCK), np.float32)
    for _ in range(440):
        last = filtered(piece)
    assert float(np.abs(last).max()) < 1e-6


def test_silence_and_nothing_give_as_much() -> None:
    filtered = BlockFilter(k_weighting(44100), 2)
    assert not filtered(np.zeros((2, 3 * BLOCK), np.float32)).any()
    assert filtered(np.zeros((2, 0), np.float32)).shape == (2, 0)
