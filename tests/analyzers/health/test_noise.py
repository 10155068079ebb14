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


@pytest.mark.parametrize("dbfs", [-70.0, -55.0])
@pytest.mark.parametrize("crackles", [False, True])
def test_the_floor_is_what_the_noise_has_whatever_pops_in_it(dbfs: float, crackles: bool) -> None:
    """The level of noise is its root mean square (IEC 60268-1, from memory); a pop is an event of its own."""
    samples = clean(lead_s=2.0)
    noise = np.random.default_rng(5).standard_normal(samples.shape) * 10 ** (dbfs / 20)
    if crackles:
        noise[round(1.8 * RATE) : round(1.8 * RATE) + 60] += 0.1
    flag = faults((samples + noise).astype(np.float32))["noise-floor"]
    assert flag.amount == pytest.approx(dbfs, abs=0.5)


@pytest.mark.parametrize("at_s", [0.4, 1.7])
def test_a_pop_in_silence_is_no_noise_under_the_music(at_s: float) -> None:
    """4 ms at -24 dBFS; over two seconds its mean square is that of noise of -58 dBFS."""
    samples = clean(lead_s=2.0)
    pop, at = round(0.004 * RATE), round(at_s * RATE)
    samples[at : at + pop] += (0.06 * np.sin(np.arange(pop) * 0.3) * np.exp(-np.arange(pop) / pop))[:, None]
    assert "noise-floor" not in faults(samples.astype(np.float32))
