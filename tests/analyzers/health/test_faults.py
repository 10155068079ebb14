"""Faults as a whole: none on clean music, none on silence, and words that fit every report."""

from __future__ import annotations

import re

import numpy as np
import pytest

from analyzers.model import Options
from tests.analyzers.health_kit import RATE, clean, faults


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("seed", range(4))
def test_clean_music_has_no_flag(rate: int, seed: int) -> None:
    assert faults(clean(rate=rate, seed=seed), rate, Options(bit_depth=24)) == {}


@pytest.mark.parametrize("lead_s", [0.0, 0.02])
def test_clean_music_without_lead_in_has_no_flag(lead_s: float) -> None:
    assert faults(clean(lead_s=lead_s), RATE, Options(bit_depth=24)) == {}


@pytest.mark.parametrize("frames", [1, 100, 5000])
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_short_and_silent_signals(frames: int, channels: int) -> None:
    assert faults(np.zeros((frames, channels), np.float32)) == {}
    faults(np.full((frames, channels), 0.5, np.float32))  # no exception


def test_every_flag_says_how_much_and_what_to_do() -> None:
    spoilt = clean() * np.float32(3)
    spoilt = np.clip(spoilt, -1, 1) * np.float32(0.5) + np.float32(0.02)
    spoilt[:, 1] *= -0.5
    spoilt[3 * RATE : 3 * RATE + 400] = 0
    found = faults(spoilt)
    assert {"clipping", "dc-offset", "channel-level", "polarity-inverted", "dropout"} <= set(found)
    for flag in found.values():
        assert re.fullmatch(r"[a-z0-9-]+", flag.code)
        assert flag.severity in ("note", "warning")
        assert flag.text.endswith(".")
        assert flag.advice.endswith(".")
        assert (flag.amount is None) or np.isfinite(flag.amount)
