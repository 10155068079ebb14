"""What is told of a stretch of a song does not depend on what lies elsewhere in it."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm import moments
from analyzers.signal.onsets import BANDS, Onsets

RATE = 100.0


def struck(*at_s: float) -> Onsets:
    """Twelve seconds in which all bands are struck at these times."""
    strength = np.zeros((BANDS, int(12 * RATE)), np.float32)
    strength[:, [round(t * RATE) for t in at_s]] = 9.0
    level, fine = np.zeros_like(strength), np.zeros(1, np.float32)
    return Onsets(RATE, strength, level, 1378.0, fine, fine, 10.0, np.zeros((24, 1), np.float32))


@pytest.mark.parametrize("start_s", [0.0, 0.02, 4.0])
def test_a_stretch_is_like_what_is_struck_at_the_same_times_later_and_unlike_anything_else(
    start_s: float,
) -> None:
    strokes = [start_s + t for t in (0.5, 0.75, 1.5)]
    song = struck(*strokes, *(t + 3.0 for t in strokes), *(t + 6.2 for t in strokes))
    assert moments.alike(song, start_s, start_s + 2.0, 3.0) == pytest.approx(1.0)
    assert moments.alike(song, start_s, start_s + 2.0, 6.0) < 0.1
    assert moments.alike(song, start_s, start_s + 2.0, 11.5) == 0.0  # is not there


def test_hits_are_told_of_loud_ones_and_attacks_are_those_of_all_bands() -> None:
    song = struck(*np.arange(0.0, 12.0, 0.25))
    assert song.hits.max() == pytest.approx(1.0)
    assert song.attacks[25] == pytest.approx(BANDS)
    assert moments.entry(song, 0.25) == pytest.approx(BANDS)
