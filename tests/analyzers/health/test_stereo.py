"""Faults between the channels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import firwin, oaconvolve

from tests.analyzers.health_kit import RATE, clean, faults


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("drop_db", [2.5, 6, 15])
def test_channel_turned_down(side: int, drop_db: float) -> None:
    samples = clean()
    samples[:, side] *= np.float32(10 ** (-drop_db / 20))
    flag = faults(samples)["channel-level"]
    assert flag.amount == pytest.approx(drop_db * (1 if side else -1), abs=0.7)
    assert ("left" if side else "right") in flag.text
    assert flag.severity == ("warning" if drop_db > 4 else "note")


def test_a_panned_part_is_no_turned_down_channel() -> None:
    samples = clean()
    t = np.arange(len(samples)) / RATE
    samples[RATE:, 0] += (0.12 * np.sin(2 * np.pi * 660 * t) * np.sin(2 * np.pi * 0.3 * t))[RATE:].astype(
        np.float32
    )
    assert "channel-level" not in faults(samples)


@pytest.mark.parametrize("rest", [0.0, 1e-4])
@pytest.mark.parametrize("side", [0, 1])
def test_dead_channel(side: int, rest: float) -> None:
    samples = clean()
    samples[:, side] *= np.float32(rest)
    found = faults(samples)
    assert found["dead-channel"].severity == "warning"
    assert ("right" if side else "left") in found["dead-channel"].text
    assert "channel-level" not in found


def test_mono_in_stereo_and_mono_file() -> None:
    middle = clean().mean(axis=1, keepdims=True)
    assert set(faults(np.repeat(middle, 2, axis=1))) == {"mono-in-stereo"}
    assert set(faults(middle)) == {"mono-file"}


def test_inverted_channel() -> None:
    samples = clean()
    samples[:, 1] *= -1
    flag = faults(samples)["polarity-inverted"]
    assert flag.severity == "warning"
    assert flag.amount is not None
    assert flag.amount < -0.5


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("ms", [0.7, 3.0, 5.0, 10.0])
def test_a_late_channel_is_no_inverted_one(side: int, ms: float) -> None:
    """At 5 ms the bass and the kick are upside down; what is late is late in all ranges."""
    samples, late = clean(), round(ms / 1000 * RATE)
    snare = np.random.default_rng(2).standard_normal(len(samples)) * np.exp(
        -((np.arange(len(samples)) / RATE + 0.25) % 0.5) * 30
    )
    samples += (0.1 * snare[:, None]).astype(np.float32)
    samples[late:, side] = samples[:-late, side].copy()
    found = faults(samples)
    flag = found["channel-delay"]
    assert flag.severity == "warning"
    assert flag.text.startswith(f"The {('left', 'right')[side]} channel is {ms:.1f} ms late")
    assert flag.amount == pytest.approx(ms * (1 if side else -1), abs=0.05)
    assert {"polarity-inverted", "out-of-phase-band", "mono-loss"}.isdisjoint(found)


def test_one_part_made_wide_by_a_delay_is_no_late_channel() -> None:
    samples, rng = clean(), np.random.default_rng(4)
    part = oaconvolve(
        rng.standard_normal(len(samples)), firwin(801, (700, 2400), pass_zero=False, fs=RATE), "same"
    )
    samples += (0.2 * np.stack([part, np.roll(part, 600)], axis=1)).astype(np.float32)
    assert "channel-delay" not in faults(samples)


def test_a_pad_alone_made_wide_by_a_delay_is_only_noted() -> None:
    rng = np.random.default_rng(4)
    pad = oaconvolve(
        rng.standard_normal(8 * RATE), firwin(2001, (160, 4000), pass_zero=False, fs=RATE), "same"
    )
    flag = faults((0.2 * np.stack([pad, np.roll(pad, 700)], axis=1)).astype(np.float32))["channel-delay"]
    assert flag.severity == "note"


def test_an_echo_is_no_late_channel() -> None:
    """Both channels have the music at once, and one has it again 12 ms later."""
    samples = clean()
    samples[530:, 1] += samples[:-530, 0].copy()
    assert "channel-delay" not in faults(samples)


def test_what_cancels_out_is_silent_in_mono() -> None:
    """Not 286 dB down: there is nothing left to measure."""
    middle = clean().mean(axis=1, keepdims=True)
    text = faults(np.hstack([middle, -middle]))["polarity-inverted"].text
    assert text == "One channel is inverted (correlation -1.00): mono is silent."


def test_inverted_channel_of_a_wide_mix_shows_in_the_bass() -> None:
    rng = np.random.default_rng(3)
    samples = clean()
    samples[RATE // 2 :] += rng.standard_normal((len(samples) - RATE // 2, 2)).astype(
        np.float32
    ) * np.float32(0.2)
    assert "polarity-inverted" not in faults(samples)
    samples[:, 1] *= -1
    assert "polarity-inverted" in faults(samples)


@pytest.mark.parametrize("loss_db", [5.0, 9.0])
def test_loss_in_mono(loss_db: float) -> None:
    """Middle and sides of known power: the mono sum keeps the middle only."""
    rng = np.random.default_rng(5)
    mid, side = rng.standard_normal((2, 6 * RATE)) * 0.1
    share = 10 ** (-loss_db / 10)
    side *= np.sqrt((1 - share) / share)
    found = faults((np.stack([mid + side, mid - side], axis=1)).astype(np.float32))
    flag = found.get("mono-loss") or found["polarity-inverted"]
    assert f"{loss_db:.0f}" in flag.text
    assert ("polarity-inverted" in found) == (1 - 2 * (1 - share) < -0.3)


@pytest.mark.parametrize(("correlation", "severity"), [(-0.05, None), (-0.2, "note"), (-0.5, "warning")])
def test_bass_that_disagrees_a_little(correlation: float, severity: str | None) -> None:
    """Middle and sides of known power in the bass, all else in the middle: the bass alone disagrees."""
    rng = np.random.default_rng(8)
    mid, side, rest = rng.standard_normal((3, 20 * RATE)) * 0.1
    bass = firwin(4001, 150, fs=RATE)
    side *= np.sqrt((1 - correlation) / (1 + correlation))
    mid, side = (oaconvolve(x, bass, mode="same") for x in (mid, side))
    rest = 0.2 * (rest - oaconvolve(rest, bass, mode="same"))
    found = faults(np.stack([mid + side + rest, mid - side + rest], axis=1).astype(np.float32))
    flag = found.get("out-of-phase-band")
    assert (flag and flag.severity) == severity
    assert flag is None or "the bass" in flag.text


@pytest.mark.parametrize(("low", "high", "name"), [(15, 160, "bass"), (600, 2500, "middle")])
def test_one_band_out_of_phase(low: float, high: float, name: str) -> None:
    rng = np.random.default_rng(6)
    samples = clean() + np.float32(0.1) * rng.standard_normal((len(clean()), 1)).astype(np.float32)
    band = oaconvolve(samples[:, 1], firwin(4001, (low, high), pass_zero=False, fs=RATE), mode="same")
    samples[:, 1] -= (2 * band).astype(np.float32)
    found = faults(samples)
    flag = found.get("out-of-phase-band") or found["polarity-inverted"]
    assert name in flag.text or flag.code == "polarity-inverted"
