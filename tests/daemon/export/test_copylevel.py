"""The level of what a copy holds of its source, against a measurement of those samples by themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest

from analyzers.level.loudness import measure_loudness
from analyzers.model import Loudness
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from daemon.export.copylevel import before_gain
from daemon.export.plan import CutPlan

RATE = 44100


def measured(samples: np.ndarray) -> Loudness:
    return measure_loudness(Features(Signal(samples.astype(np.float32), RATE)))


def programme(seconds: float, before_s: float) -> np.ndarray:
    """Two channels of noise after digital silence."""
    x = np.random.default_rng(3).normal(0, 0.05, (round(seconds * RATE), 2)).astype(np.float32)
    x[: round(before_s * RATE)] = 0.0
    return x


def cut(start_s: float, end_s: float, pad_s: float = 0.0) -> CutPlan:
    start, end, pad = (round(at * RATE) for at in (start_s, end_s, pad_s))
    return CutPlan(start, end, pad, (start - pad) / RATE, None, 0, "")


@pytest.mark.parametrize("plan", [cut(1.0, 40.0), cut(1.0, 40.0, 2.35), cut(1.0, 34.0, 1.0), cut(0.0, 30.0)])
def test_what_was_cut_off_is_not_counted(plan: CutPlan) -> None:
    """A click before the music and a loud end: exactly the figures of the copy's own samples."""
    x = programme(40.0, 1.0)
    x[round(0.3 * RATE)] = 0.95
    x[-round(5 * RATE) :] *= 8
    held = np.concatenate([np.zeros((plan.pad_samples, 2)), x[plan.source_start : plan.source_end]])

    assert before_gain(measured(x), Signal(x, RATE), plan) == measured(held)


def test_blocks_of_a_short_copy_are_counted_from_its_first_sample() -> None:
    """By pyloudnorm (ITU-R BS.1770) on the copy."""
    x = programme(3.0, 0.77)
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    level = before_gain(measured(x), Signal(x, RATE), cut(0.77, 3.0)).integrated_lufs

    assert level == pytest.approx(meter.integrated_loudness(x[round(0.77 * RATE) :]), abs=0.01)
    assert abs(measured(x).integrated_lufs - level) > 0.2


def test_the_blocks_of_half_a_minute_are_counted_so_too() -> None:
    """Strokes of 0.6 s and rests, by pyloudnorm (ITU-R BS.1770) on the copy; EBU Tech 3341 allows 0.1 LU."""
    x = programme(34.0, 0.77) * np.where(np.arange(34 * RATE) // round(0.3 * RATE) % 4 < 2, 1.0, 0.1)[:, None]
    level = before_gain(measured(x), Signal(x.astype(np.float32), RATE), cut(0.77, 34.0)).integrated_lufs
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")

    assert level == pytest.approx(meter.integrated_loudness(x[round(0.77 * RATE) :]), abs=0.01)
    assert level != measured(x).integrated_lufs


def test_a_long_copy_without_some_silence_has_the_figures_of_its_source() -> None:
    x = programme(60.0, 0.77)
    source = measured(x)
    plan = cut(0.77, 60.0)

    assert before_gain(source, Signal(x, RATE), plan) is source
    assert source.integrated_lufs == pytest.approx(measured(x[plan.source_start :]).integrated_lufs, abs=0.02)
    assert before_gain(source, Signal(x, RATE), cut(0.0, 60.0)) is source


def test_what_lacks_the_part_that_was_cut_off_is_measured() -> None:
    """The click that made the source's peak is gone from the copy that is cut anew."""
    x = programme(60.0, 0.77)
    source = replace(measured(x), sample_peak_dbfs=-0.4, true_peak_dbtp=1.6)

    assert before_gain(source, Signal(x, RATE), cut(0.77, 60.0), whole=False).true_peak_dbtp < -5.0
