"""Loudness against the published test signals and two independent meters.

Sources: EBU Tech 3341 V4 (2023) Table 1, cases 1-6 and 9-14; EBU Tech 3342 V4 cases 1-4; ITU-R
BS.1770-5 Annex 1. Cases 7, 8 of the one and 5, 6 of the other are recorded programmes that cannot
be made by synthesis. Levels are peak levels of sines, as the tables state them.
"""

from __future__ import annotations

import numpy as np
import pyebur128
import pyloudnorm
import pytest

from analyzers.level.loudness import (
    integrated_loudness,
    k_weighting,
    lufs,
    measure_loudness,
    step_energies,
    summarise,
    window_means,
)
from analyzers.model import Loudness
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.truepeak import Peaks

RATES = (44100, 48000)
EBU_LU = 0.1  # tolerance of Tech 3341, cases 1-14
RANGE_LU = 1.0  # tolerance of Tech 3342


def tone(
    parts: list[tuple[float, float | None]], rate: int, channels: int = 2, hz: float = 1000.0
) -> np.ndarray:
    """In-phase sine [shape=(frames, channels)]; parts are (seconds, dBFS peak or None for silence)."""
    edges = np.rint(np.cumsum([0.0, *(seconds for seconds, _ in parts)]) * rate).astype(int)
    wave = np.sin(2 * np.pi * hz / rate * np.arange(edges[-1]))
    for (_, level), first, last in zip(parts, edges[:-1], edges[1:], strict=True):
        wave[first:last] *= 0.0 if level is None else 10 ** (level / 20)
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def measured(samples: np.ndarray, rate: int) -> Loudness:
    """Everything but the peaks, which have tests of their own."""
    no_peaks = Peaks((0.0,), (0.0,), np.zeros((1, 0), np.float32), 0.0, 0)
    return summarise(step_energies(samples, rate), no_peaks)


INTEGRATED = {
    1: [(20.0, -23.0)],
    2: [(20.0, -33.0)],
    3: [(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)],
    4: [(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)],
    5: [(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)],
}


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("case", INTEGRATED)
def test_tech_3341_integrated(case: int, rate: int) -> None:
    expected = -33.0 if case == 2 else -23.0
    found = measured(tone(INTEGRATED[case], rate), rate)
    assert found.integrated_lufs == pytest.approx(expected, abs=EBU_LU)
    if case in (1, 2):
        assert found.max_momentary_lufs == pytest.approx(expected, abs=EBU_LU)
        assert found.max_short_term_lufs == pytest.approx(expected, abs=EBU_LU)


def test_tech_3341_case_6_five_channels() -> None:
    rate = 48000
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)  # L R C Ls Rs
    samples = np.concatenate([tone([(20.0, level)], rate, channels=1) for level in levels], axis=1)
    assert measured(samples, rate).integrated_lufs == pytest.approx(-23.0, abs=EBU_LU)


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_9_short_term_is_constant(rate: int) -> None:
    energy = step_energies(tone([(1.34, -20.0), (1.66, -30.0)] * 5, rate), rate)
    levels = lufs(window_means(energy, 300))
    assert np.abs(levels + 23.0).max() <= EBU_LU


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_12_momentary_is_constant(rate: int) -> None:
    energy = step_energies(tone([(0.18, -20.0), (0.22, -30.0)] * 25, rate), rate)
    levels = lufs(window_means(energy, 40))
    assert np.abs(levels[60:] + 23.0).max() <= EBU_LU  # after 1 s


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("i", range(20))
def test_tech_3341_cases_10_and_13_maxima_of_files(i: int, rate: int) -> None:
    short = measured(tone([(i * 0.15, None), (3.0, -23.0), (1.0, None)], rate), rate)
    assert short.max_short_term_lufs == pytest.approx(-23.0, abs=EBU_LU)
    momentary = measured(tone([(i * 0.02, None), (0.4, -23.0), (1.0, None)], rate), rate)
    assert momentary.max_momentary_lufs == pytest.approx(-23.0, abs=EBU_LU)


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_cases_11_and_14_maxima_while_it_runs(rate: int) -> None:
    """The running maximum steps through -38, -37 ... -19: windows up to each burst's end are looked at."""
    for length, gap, steps in ((3.0, 0.15, 300), (0.4, 0.02, 40)):
        parts: list[tuple[float, float | None]] = []
        ends, at = [], 0.0
        for i in range(20):
            parts += [(i * gap, None), (length, -38.0 + i), (length - i * gap, None)]
            at += i * gap + length
            ends.append(at)
            at += length - i * gap
        levels = lufs(window_means(step_energies(tone(parts, rate), rate), steps))
        for i, end in enumerate(ends):
            seen = levels[: round(end * 100) - steps + 2]
            assert seen.max() == pytest.approx(-38.0 + i, abs=EBU_LU)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("levels", "expected"),
    [((-20, -30), 10), ((-20, -15), 5), ((-40, -20), 20), ((-50, -35, -20, -35, -50), 15)],
    ids=["1", "2", "3", "4"],
)
def test_tech_3342_loudness_range(levels: tuple[int, ...], expected: int, rate: int) -> None:
    found = measured(tone([(20.0, float(level)) for level in levels], rate), rate)
    assert found.range_lu == pytest.approx(expected, abs=RANGE_LU)


@pytest.mark.parametrize("rate", [22050, 44100, 48000, 88200, 96000, 192000])
@pytest.mark.parametrize("channels", [1, 2])
def test_full_scale_997_hz(rate: int, channels: int) -> None:
    """BS.1770-5 Annex 1: a 0 dBFS 997 Hz sine in one channel reads -3.01 LKFS; in two, 3.01 LU more."""
    found = measured(tone([(5.0, 0.0)], rate, channels, hz=997.0), rate)
    assert found.integrated_lufs == pytest.approx(-3.01 + 3.01 * (channels - 1), abs=0.05)


@pytest.mark.parametrize("hz", [25.0, 100.0, 500.0, 1000.0, 2000.0, 10000.0])
def test_two_channel_tones_of_equal_loudness(hz: float) -> None:
    """Tones in the manner of ITU-R BS.2217: -24 LKFS at each frequency, levels from the filter's gain."""
    level = {
        25.0: -12.916,
        100.0: -22.176,
        500.0: -23.351,
        1000.0: -24.007,
        2000.0: -26.380,
        10000.0: -27.351,
    }
    found = measured(tone([(20.0, level[hz])], 48000, hz=hz), 48000)
    assert found.integrated_lufs == pytest.approx(-24.0, abs=0.02)


def test_filter_is_the_published_one() -> None:
    """BS.1770-5 Annex 1, Tables 1 and 2 at 48 kHz."""
    shelf, high_pass = k_weighting(48000)
    np.testing.assert_allclose(shelf[0], [1.53512485958697, -2.69169618940638, 1.19839281085285], atol=1e-12)
    np.testing.assert_allclose(shelf[1], [1.0, -1.69065929318241, 0.73248077421585], atol=1e-12)
    np.testing.assert_allclose(high_pass[0], [1.0, -2.0, 1.0], atol=1e-12)
    np.testing.assert_allclose(high_pass[1], [1.0, -1.99004745483398, 0.99007225036621], atol=1e-12)


def reference_meters(samples: np.ndarray, rate: int) -> tuple[float, float]:
    state = pyebur128.R128State(samples.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
    meter = pyloudnorm.Meter(rate, filter_class="DeMan")
    return meter.integrated_loudness(samples), pyebur128.get_loudness_global(state)


@pytest.mark.parametrize("rate", [*RATES, 96000])
@pytest.mark.parametrize("channels", [1, 2])
def test_two_reference_meters_agree_on_uneven_noise(rate: int, channels: int) -> None:
    rng = np.random.default_rng(rate + channels)
    level = np.repeat(10 ** (rng.uniform(-50, -6, 40) / 20), rate // 2)
    samples = (rng.standard_normal((len(level), channels)) * 0.3 * level[:, None]).astype(np.float32)
    ours = measured(samples, rate).integrated_lufs
    assert ours == pytest.approx(reference_meters(samples, rate)[0], abs=0.01)
    assert ours == pytest.approx(reference_meters(samples, rate)[1], abs=0.01)


def test_all_figures_of_a_signal() -> None:
    found = measure_loudness(Features(Signal(tone([(20.0, -23.0)], 48000), 48000)))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=EBU_LU)
    assert found.sample_peak_dbfs == pytest.approx(-23.0, abs=0.01)
    assert found.true_peak_dbtp == pytest.approx(-23.0, abs=0.05)
    assert found.peak_to_loudness_lu == pytest.approx(0.0, abs=0.15)
    assert found.short_term_curve[0] == (3.0, pytest.approx(-23.0, abs=EBU_LU))
    assert len(found.short_term_curve) <= 300


def test_silence_and_shortness_give_none() -> None:
    nothing = measure_loudness(Features(Signal(np.zeros((48000, 2), np.float32), 48000)))
    assert nothing.integrated_lufs is None
    assert nothing.true_peak_dbtp is None
    short = measure_loudness(Features(Signal(tone([(0.39, -20.0)], 48000), 48000)))
    assert short.integrated_lufs is None
    assert short.sample_peak_dbfs == pytest.approx(-20.0, abs=0.01)
    assert integrated_loudness(np.zeros(0)) is None
