from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.lattice_fit import fine_rise
from analyzers.rhythm.pulse_patterns import TwoCounts
from analyzers.rhythm.restarts import Restart, find_restart, joined
from tests.analyzers.grid_kit import even, onsets_of, pattern, place

BPM, START, SECONDS = 100.0, 0.5, 48.0
PERIOD = 60.0 / BPM


def restart_in(beats: np.ndarray, second: np.ndarray | None = None) -> Restart | None:
    strokes = pattern(beats) + (pattern(second) if second is not None else [])
    onsets = onsets_of(place(SECONDS, strokes))
    return find_restart(onsets, fine_rise(onsets), PERIOD * 1.002)


@pytest.mark.parametrize("late_s", [0.03, 0.09, 0.2, -0.07, 0.6 + 0.11, 1.2 + 0.25])
def test_a_beat_that_starts_anew_is_found_at_its_place(late_s: float) -> None:
    first = START + PERIOD * np.arange(41)  # the last only ends the pattern
    second = even(BPM, first[-1] + late_s, SECONDS)
    found = restart_in(first, second)

    assert found is not None
    assert found.counts.before_s == pytest.approx(PERIOD, rel=1e-4)
    assert found.counts.before_s == found.counts.after_s
    assert first[-1] - PERIOD <= found.counts.at_s <= second[0]
    assert first[-1] - PERIOD < found.counts.resumes_s <= second[0] + 0.01
    steps = np.diff(found.pulses_s) / PERIOD
    assert np.sum(np.abs(steps - 1.0) > 1e-3) == 1  # one odd pulse
    off = (found.pulses_s[-1] - found.pulses_s[0] - late_s) / PERIOD
    assert (off - round(off)) * PERIOD == pytest.approx(0.0, abs=0.005)


def test_one_count_has_no_restart() -> None:
    assert restart_in(even(BPM, START, SECONDS)) is None


def test_a_rest_of_whole_beats_is_no_restart() -> None:
    first = START + PERIOD * np.arange(41)
    assert restart_in(first, even(BPM, first[-1] + 6 * PERIOD, SECONDS)) is None


def test_a_count_that_wanders_is_no_restart() -> None:
    """Half of the song a little faster than the other, so that its beats run away from the count."""
    first = START + PERIOD * np.arange(41)
    assert restart_in(first, first[-1] + PERIOD / 1.004 * np.arange(38)) is None


def test_a_song_too_short_for_two_counts_has_one() -> None:
    onsets = onsets_of(place(9.0, pattern(even(BPM, START, 9.0))))
    assert find_restart(onsets, fine_rise(onsets), PERIOD) is None


@pytest.mark.parametrize("bar", [2, 3, 4])
@pytest.mark.parametrize("late", [0.0, 0.1, 0.45, 0.8, 1.3, 2.5, 3.9, 7.2, -0.3, -1.0])
@pytest.mark.parametrize("begun", [0, 1, 3])
def test_bars_stay_whole_where_two_counts_are_joined(bar: int, late: float, begun: int) -> None:
    """Counted from the first bar line, that of the new count is again a whole number of bars away."""
    halt = 20.0 + begun
    first = np.arange(-2.0 * bar, halt + 3.0)
    second = halt + 1.0 + late + np.arange(-2.0 * bar, 30.0)  # from a bar line on
    counts = TwoCounts(halt, max(halt, halt + 1.0 + late), 1.0, 1.0)
    times, last, following = joined(first, second, counts, bar)

    assert np.all(np.diff(times) > 0.0)
    np.testing.assert_allclose(times[: last + 1], first[: last + 1])
    np.testing.assert_allclose(times[following:], second[len(second) - len(times[following:]) :])
    lines = second[::bar]
    numbers = np.round(np.interp(lines[lines > times[following]], times, np.arange(len(times)))).astype(int)
    assert np.all(numbers % bar == 0)
    between = np.diff(times[last : following + 1])
    np.testing.assert_allclose(between, between[0])
    assert 0.49 <= between[0] <= 2.02  # neither rushed nor dragged by more than an octave
    assert halt - times[last] <= bar
