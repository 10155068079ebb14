"""Curves of a signal that is read in pieces have no seams."""

from __future__ import annotations

import numpy as np

from analyzers.signal.onsets import FINE, find_onsets
from analyzers.signal.samples import BLOCK_FRAMES

RATE = 44100


def test_the_fine_curve_of_differences_is_even_where_a_signal_rises_evenly() -> None:
    ramp = (np.arange(2 * BLOCK_FRAMES + 5 * FINE) * 2.0**-18).astype(np.float32)  # exact in float32
    onsets = find_onsets(ramp, RATE, lambda: np.zeros((24, 1), np.float32))
    assert len(onsets.fine_high) == len(ramp) // FINE
    assert np.ptp(onsets.fine_high[1:]) == 0.0
    assert np.all(np.diff(onsets.fine_full) >= 0.0)
