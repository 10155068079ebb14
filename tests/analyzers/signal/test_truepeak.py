"""True peak against EBU Tech 3341 V4 cases 15-23 (tolerance +0.2 / -0.4 dB) and soxr.

The signals peak at or above full scale: they stay in memory and are never to be played.
"""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from scipy.signal import firwin, oaconvolve

from analyzers.signal.truepeak import BATCH, BLOCK, measure_peaks

RATES = (44100, 48000, 96000)


def faded_sine(rate: int, divisor: int, level: float, degrees: float) -> np.ndarray:
    n = np.arange(rate)
    wave = level * np.sin(2 * np.pi * n / divisor + np.radians(degrees))
    fade = round(0.01 * rate)
    wave[:fade] *= np.linspace(0, 1, fade)
    wave[-fade:] *= np.linspace(1, 0, fade)
    return np.repeat(wave[:, None], 2, axis=1).astype(np.float32)


def dbtp(samples: np.ndarray) -> float:
    return 20 * np.log10(measure_peaks(samples).true_peak)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("divisor", "level", "degrees", "expected"),
    [(4, 0.5, 0, -6.0), (4, 0.5, 45, -6.0), (6, 0.5, 60, -6.0), (8, 0.5, 67.5, -6.0), (4, 1.41, 45, 3.0)],
    ids=["15", "16", "17", "18", "19"],
)
def test_tech_3341_sines(divisor: int, level: float, degrees: float, expected: float, rate: int) -> None:
    assert expected - 0.4 <= dbtp(faded_sine(rate, divisor, level, degrees)) <= expected + 0.2


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("shift", range(4), ids=["20", "21", "22", "23"])
def test_tech_3341_burst_between_the_samples(shift: int, rate: int) -> None:
    """fs/6 at half scale with one period of fs/4 at full scale, made at 4 fs, decimated with an offset."""
    slow, fast, n = 24, 16, 4 * rate // 4  # periods in samples at 4 fs
    turn = n // slow // 2 * slow  # at a zero of the slow sine
    phase = np.concatenate(
        [np.arange(turn) / slow, np.arange(fast) / fast, np.arange(n - turn - fast) / slow]
    )
    level = np.where((np.arange(n) >= turn) & (np.arange(n) < turn + fast), 1.0, 0.5)
    wave = oaconvolve(
        level * np.sin(2 * np.pi * phase), firwin(257, 0.9 / 4, window=("kaiser", 8)), mode="same"
    )
    fade = round(0.01 * 4 * rate)
    wave[:fade] *= np.linspace(0, 1, fade)
    wave[-fade:] *= np.linspace(1, 0, fade)
    assert -0.4 <= dbtp(np.repeat(wave[shift::4, None], 2, axis=1).astype(np.float32)) <= 0.2


def test_the_largest_of_each_block_is_that_of_its_samples() -> None:
    samples = np.random.default_rng(8).standard_normal((BLOCK * 700 + 5, 2)).astype(np.float32)
    padded = np.pad(np.abs(samples), ((0, BLOCK - 5), (0, 0)))
    wanted = padded.reshape(701, BLOCK, 2).max(axis=1).T
    np.testing.assert_array_equal(measure_peaks(samples).largest, wanted)


@pytest.mark.parametrize("seed", range(6))
def test_never_far_under_a_192_khz_reference(seed: int) -> None:
    rng = np.random.default_rng(seed)
    music = oaconvolve(rng.standard_normal((44100, 2)), rng.standard_normal((9, 1)), axes=0)
    music = np.clip(music / np.abs(music).max() * rng.uniform(0.9, 3), -1, 1).astype(np.float32)
    reference = max(np.abs(soxr.resample(channel, 44100, 192000, "VHQ")).max() for channel in music.T)
    assert dbtp(music) >= 20 * np.log10(reference) - 0.3


def test_looking_only_where_it_matters_changes_nothing() -> None:
    """The bound may skip blocks but not the peak: every block oversampled gives the same figure."""
    rng = np.random.default_rng(3)
    music = np.cumsum(rng.standard_normal((BLOCK * BATCH // 8, 1)), axis=0)
    music = (np.sin(music / 5) * rng.uniform(0, 1, music.shape)).astype(np.float32)
    parts = [
        measure_peaks(np.pad(music[max(0, k - BLOCK) : k + 2 * BLOCK], ((64, 64), (0, 0)))).true_peak
        for k in range(0, len(music), BLOCK)
    ]
    assert measure_peaks(music).true_peak == pytest.approx(max(parts), rel=2e-3)


def test_where_and_which_channel() -> None:
    music = np.zeros((5000, 2), np.float32)
    music[3000:3004, 1] = (0.3, 0.9, 0.9, 0.3)
    music[10, 0] = -0.5
    found = measure_peaks(music)
    assert found.sample_peak == pytest.approx(0.9)
    assert found.lowest == (-0.5, 0.0)
    assert found.highest == (0.0, pytest.approx(0.9))
    assert found.true_peak > 0.95
    assert found.true_peak_frame == 3001


def test_nothing_and_silence() -> None:
    assert measure_peaks(np.zeros((0, 2), np.float32)).true_peak == 0.0
    assert measure_peaks(np.zeros((1000, 1), np.float32)).true_peak == 0.0
