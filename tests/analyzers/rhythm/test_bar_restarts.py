from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.bar_restarts import BINS, find_bar_restart
from tests.analyzers.grid_kit import HAT, KICK, RATE, SNARE, even, onsets_of, pattern, place

BPM, SECONDS = 120.0, 48.0
PERIOD, BAR_S = 0.5, 2.0


def strokes_on(beats: np.ndarray, snares: tuple[int, ...]) -> np.ndarray:
    """Kick on the one, snare where it is asked for, hats on all."""
    out = []
    for k, at in enumerate(beats):
        out.append((float(at), HAT, 1.0))
        if k % 4 == 0:
            out.append((float(at), KICK, 1.0))
        if k % 4 in snares:
            out.append((float(at), SNARE, 1.0))
    return place(SECONDS, out)


@pytest.mark.parametrize("beats", [1, 2, 3])
@pytest.mark.parametrize("bars", [6, 11, 16])
def test_bars_that_start_anew_are_found_with_their_shift(bars: int, beats: int) -> None:
    first = PERIOD * np.arange(4 * bars + beats + 1)
    mono = place(SECONDS, pattern(first) + pattern(even(BPM, first[-1], SECONDS)))
    found = find_bar_restart(onsets_of(mono), BAR_S)

    assert found is not None
    assert found[0] == pytest.approx(first[-1], abs=2.5)
    assert found[1] == pytest.approx(beats * PERIOD, abs=2 * BAR_S / BINS)


def test_a_cut_on_a_sixteenth_is_found_too() -> None:
    first = PERIOD * np.arange(45)
    mono = place(SECONDS, pattern(first) + pattern(even(BPM, first[-1] + PERIOD / 4, SECONDS)))
    found = find_bar_restart(onsets_of(mono), BAR_S)

    assert found is not None
    assert found[1] == pytest.approx(PERIOD / 4, abs=2 * BAR_S / BINS)


def test_bars_that_go_on_have_none() -> None:
    assert find_bar_restart(onsets_of(place(SECONDS, pattern(even(BPM, 0.0, SECONDS)))), BAR_S) is None


def test_another_pattern_from_a_bar_on_is_none() -> None:
    """The snare comes in half time later: nothing is alike when it is turned."""
    beats = even(BPM, 0.0, SECONDS)
    half = len(beats) // 2 // 4 * 4
    mono = strokes_on(beats[:half], (1, 3)) + strokes_on(beats[half:], (2,))
    assert find_bar_restart(onsets_of(mono), BAR_S) is None


@pytest.mark.parametrize("seconds", [0.2, 1.0, 5.0])
def test_short_and_silent_files_have_none(seconds: float) -> None:
    assert find_bar_restart(onsets_of(np.zeros(round(seconds * RATE))), BAR_S) is None
    assert find_bar_restart(onsets_of(place(seconds, [(0.1, KICK, 1.0)])), BAR_S) is None
