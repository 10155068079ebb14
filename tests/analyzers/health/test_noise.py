"""Hum and noise before the music. Mains frequencies are 50 or 60 Hz by country."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analyzers.health_kit import RATE, clean, faults


def hum(mains: float, dbfs: float, frames: int) -> np.ndarray:
    t = np.arange(frames) / RATE
    tone = sum(np.sin(2 * np.pi * mains * k * t + k) / k for k in (1, 2, 3, 4, 5))
    return (tone / np.sqrt(np.mean(tone**2)) * 10 ** (dbfs / 20))[:, None].astype(np.float32)


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize("dbfs", [-85, -70, -50])
def test_hum_before_the_music(mains: float, dbfs: float) -> None:
    samples = clean(lead_s=1.0)
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(samples.shape).astype(np.float32) * np.float32(10 ** ((dbfs - 25) / 20))
    flag = faults(samples + hum(mains, dbfs, len(samples)) + noise)["hum"]
    assert f"{mains:.0f} Hz" in flag.text
    assert flag.amount == pytest.approx(dbfs, abs=2)
    assert flag.severity == ("warning" if dbfs > -75 else "note")


@pytest.mark.parametrize("dbfs", [-70, -55])
def test_noise_before_the_music_is_no_hum(dbfs: float) -> None:
    samples = clean(lead_s=1.0)
    noise = np.random.default_rng(2).standard_normal(samples.shape) * 10 ** (dbfs / 20)
    found = faults((samples + noise).astype(np.float32))
    assert "hum" not in found
    assert found["noise-floor"].amount == pytest.approx(dbfs, abs=1)


def test_dither_is_not_worth_a_flag() -> None:
    samples = clean(lead_s=1.0)
    noise = np.random.default_rng(3).standard_normal(samples.shape) * 10 ** (-90 / 20)
    assert faults((samples + noise).astype(np.float32)) == {}


def test_too_short_a_lead_in_says_nothing() -> None:
    samples = clean(lead_s=0.1)
    assert "hum" not in faults(samples + hum(50.0, -60, len(samples)))
