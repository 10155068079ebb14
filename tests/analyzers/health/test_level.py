"""Clipping, peaks over full scale, offset, and a programme far too quiet or loud."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.model import Options
from tests.analyzers.health_kit import RATE, clean, faults, words


@pytest.mark.parametrize("over_db", [1.5, 3, 6, 10])
@pytest.mark.parametrize("bits", [16, 24])
def test_clipping_at_full_scale(over_db: float, bits: int) -> None:
    hot = clean() * 10 ** ((over_db + 2) / 20)
    flag = faults(words(np.clip(hot, -1, 1), bits), RATE, Options(bit_depth=bits))["clipping"]
    assert flag.severity == "warning"
    assert "full scale" in flag.text
    assert flag.start_s is not None
    assert np.abs(hot[round(flag.start_s * RATE)]).max() >= 1.0


@pytest.mark.parametrize("ceiling", [0.2, 0.5, 0.9])
@pytest.mark.parametrize("bits", [16, 24])
def test_flat_tops_below_full_scale(ceiling: float, bits: int) -> None:
    hot = np.clip(clean() * 2.5, -1, 1) * ceiling
    flag = faults(words(hot, bits), RATE, Options(bit_depth=bits))["clipping"]
    assert f"{20 * np.log10(ceiling):.1f} dBFS" in flag.text


def test_flat_tops_under_dither() -> None:
    rng = np.random.default_rng(1)
    hot = np.clip(clean() * 2.5, -1, 1) * 0.7
    hot = hot + (rng.random(hot.shape) - rng.random(hot.shape)) * 2.0**-15
    assert "clipping" in faults(words(hot, 16), RATE, Options(bit_depth=16))


@pytest.mark.parametrize("hz", [30.0, 45.0, 60.0, 110.0, 997.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_steady_low_notes_are_not_clipped(hz: float, bits: int) -> None:
    """Every period reaches the same highest words: rounded tops, no plateaus."""
    tone = 0.95 * np.sin(2 * np.pi * hz * np.arange(4 * RATE) / RATE)
    found = faults(words(np.repeat(tone[:, None], 2, axis=1), bits), RATE, Options(bit_depth=bits))
    assert "clipping" not in found


@pytest.mark.parametrize(("peak", "clipped"), [(0.32, False), (1.0, True)])
def test_two_equal_samples_at_a_low_ceiling_are_a_soft_top(peak: float, clipped: bool) -> None:
    """Twenty peaks of two samples each: at full scale they may be overs, far below it nothing."""
    samples = clean() * np.float32(0.2)
    for k in range(20):
        samples[RATE + k * 5000 : RATE + k * 5000 + 2] = peak
    found = faults(words(samples, 24), RATE, Options(bit_depth=24))
    assert ("clipping" in found) == clipped


def test_a_soft_limiter_is_not_clipping() -> None:
    assert "clipping" not in faults(words(np.tanh(clean() * 2), 24), RATE, Options(bit_depth=24))


def test_one_channel_one_side() -> None:
    samples = clean()
    samples[:, 1] = np.maximum(samples[:, 1], -0.3)
    assert faults(samples, RATE, Options(bit_depth=24))["clipping"].text.endswith("at -10.5 dBFS.")


def test_inter_sample_over() -> None:
    samples = clean() * np.float32(0.5)
    n = np.arange(200)
    at = 4 * RATE
    samples[at : at + 200] = (1.2 * np.sin(np.pi / 2 * n + np.pi / 4) * np.hanning(200))[:, None]
    flag = faults(samples)["inter-sample-over"]
    assert flag.severity == "note"
    assert flag.amount == pytest.approx(20 * np.log10(1.2), abs=0.2)
    assert flag.start_s == pytest.approx(4.002, abs=0.003)


def test_samples_over_full_scale() -> None:
    flag = faults(clean() * np.float32(1.5), RATE, Options(lossy=True))["over-full-scale"]
    assert flag.amount == pytest.approx(20 * np.log10(1.2), abs=0.05)


@pytest.mark.parametrize(
    ("offset", "lead_s"), [(0.005, 0.5), (-0.02, 0.5), (0.1, 0.5), (-0.02, 0.0), (0.1, 0.0)]
)
def test_constant_offset(offset: float, lead_s: float) -> None:
    """Without a quiet moment only an offset of some size can be told from the music."""
    flag = faults(clean(lead_s=lead_s) * np.float32(0.8) + np.float32(offset))["dc-offset"]
    assert flag.severity == "warning"
    assert flag.amount == pytest.approx(100 * offset, rel=0.15)


@pytest.mark.parametrize(
    ("percent", "severity"), [(0.08, None), (0.13, "note"), (0.35, "note"), (0.45, "warning")]
)
def test_a_small_offset_is_a_note(percent: float, severity: str | None) -> None:
    """-60 dBFS is 0.1 % of full scale and -48 dBFS 0.4 % (20 log10)."""
    flag = faults(clean() * np.float32(0.8) + np.float32(percent / 100)).get("dc-offset")
    assert (flag and flag.severity) == severity


def test_a_lopsided_waveform_is_no_offset() -> None:
    """Positive pulses after digital silence: a mean, but no constant offset."""
    samples = np.maximum(clean(), 0)
    found = faults(samples)
    assert "dc-offset" not in found


def test_very_quiet_and_very_loud() -> None:
    assert faults(clean() * np.float32(0.1))["very-quiet"].severity == "note"
    assert faults(clean() * np.float32(0.003))["very-quiet"].severity == "warning"
    loud = faults(np.tanh(clean() * 30) * np.float32(0.99))["very-loud"]
    assert loud.severity == "note"
    assert "hearing" in loud.advice
