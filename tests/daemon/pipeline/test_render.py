"""What the cut of a lossy source may leave out ahead of bar one: codec smear, never an early attack."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from analyzers.signal.samples import Signal
from daemon.pipeline.render import PRE_ECHO_S, smear

RATE = 44100
BAR_ONE_S = 1.0


def found(early_s: float, level: float, lossy: bool = True) -> float:
    """`smear` where sound of `level` starts `early_s` before bar one of a programme that peaks at 1."""
    samples = np.zeros((2 * RATE, 2), np.float32)
    first = round((BAR_ONE_S - early_s) * RATE)
    samples[first:RATE] = level
    samples[RATE:] = 1.0
    analysis = SimpleNamespace(
        lead_in=SimpleNamespace(first_sound_s=first / RATE),
        grid=SimpleNamespace(bar_one_s=BAR_ONE_S),
        loudness=SimpleNamespace(sample_peak_dbfs=0.0),
    )
    return smear(SimpleNamespace(source=SimpleNamespace(lossy=lossy), signal=Signal(samples, RATE)), analysis)


def test_pre_echo_of_a_codec_may_be_cut():
    """One granule of MPEG-1 Layer III is 576 samples: 13 ms at 44.1 kHz."""
    assert found(576 / RATE, level=0.01) == PRE_ECHO_S


@pytest.mark.parametrize(
    ("early_s", "level", "lossy"),
    [
        (0.010, 0.5, True),  # a stroke played early
        (0.030, 0.01, True),  # longer than any granule
        (0.010, 0.01, False),  # no codec, no smear
        (0.0, 0.01, True),
    ],
)
def test_music_ahead_of_bar_one_is_kept(early_s, level, lossy):
    assert found(early_s, level, lossy) == 0.0
