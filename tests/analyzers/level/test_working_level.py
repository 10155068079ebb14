"""The suggested gain: plain arithmetic of levels (EBU R 128's -1 dBTP as the ceiling)."""

from __future__ import annotations

import pytest

from analyzers.level.working_level import suggest_gain
from analyzers.model import Loudness


def loudness(lufs: float | None, peak: float | None) -> Loudness:
    return Loudness(lufs, None, None, None, peak, peak, None, ())


def test_a_loud_master_comes_down_to_the_working_level() -> None:
    advice = suggest_gain(loudness(-8.3, 0.4))
    assert advice.gain_db == pytest.approx(-9.7)
    assert advice.limited_by == "loudness"
    assert advice.peak_after_dbtp == pytest.approx(-9.3)
    assert "down by 9.7 dB" in advice.sentence
    assert "9 dB below full scale, which is room for the voice" in advice.sentence


def test_a_quiet_mix_comes_up_only_as_far_as_its_peaks_allow() -> None:
    advice = suggest_gain(loudness(-30.0, -6.52))
    assert advice.gain_db == pytest.approx(5.5)
    assert advice.limited_by == "true peak"
    assert advice.peak_after_dbtp is not None
    assert advice.peak_after_dbtp <= -1.0
    assert "short of" in advice.sentence


@pytest.mark.parametrize("peak", [-0.04, 0.0, 0.33, -0.96, -1.0])
@pytest.mark.parametrize("level", [-18.0, -17.96, -25.04, -12.0])
def test_the_ceiling_is_never_passed(level: float, peak: float) -> None:
    advice = suggest_gain(loudness(level, peak), -18.0, -1.0)
    assert peak + advice.gain_db <= -1.0 + 1e-9 or advice.limited_by == "loudness"
    assert peak + advice.gain_db <= -1.0 + 1e-9


def test_at_the_working_level_nothing_is_to_be_done() -> None:
    assert "leave" in suggest_gain(loudness(-18.0, -3.0)).sentence


def test_unknown_loudness() -> None:
    advice = suggest_gain(loudness(None, None))
    assert (advice.gain_db, advice.limited_by) == (0.0, "unknown loudness")
