from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.pulse_patterns import BINS, fold_sides

RATE = 1000.0


def strokes(times_s: np.ndarray, seconds: float) -> np.ndarray:
    rise = np.zeros(round(seconds * RATE))
    rise[np.round(times_s * RATE).astype(int)] = 20.0
    return rise


@pytest.mark.parametrize(("resumes_s", "asked_s"), [(11.3, 10.6), (12.0, 11.0)])
def test_the_sides_change_in_the_longest_rest_between_them(resumes_s: float, asked_s: float) -> None:
    """Quarters of 0.5 s up to 10.0 s, then of 0.4 s; a stroke at 12.0 s lies on both counts."""
    first, second = np.arange(0.0, 10.01, 0.5), np.arange(resumes_s, 20.0, 0.4)
    rise = strokes(np.concatenate([first, second]), 20.0)
    counts = fold_sides(rise, RATE, asked_s, 0.5, 0.4, 3.0).counts

    assert counts.at_s == pytest.approx(10.0, abs=0.002)
    assert counts.resumes_s == pytest.approx(resumes_s, abs=0.002)
    assert (counts.before_s, counts.after_s) == (0.5, 0.4)


@pytest.mark.parametrize("asked_s", [9.0, 12.0, 17.0, 25.0, 30.5])
def test_a_silence_longer_than_the_reach_is_left_at_its_ends(asked_s: float) -> None:
    first, second = np.arange(0.0, 10.01, 0.5), np.arange(30.13, 50.0, 0.4)
    counts = fold_sides(strokes(np.concatenate([first, second]), 50.0), RATE, asked_s, 0.5, 0.4, 3.0).counts

    assert counts.at_s == pytest.approx(10.0, abs=0.002)
    assert counts.resumes_s == pytest.approx(30.13, abs=0.002)


def test_what_rings_into_a_silence_does_not_keep_the_change_from_it() -> None:
    """A stroke 0.13 s after the last of the first count lies, by chance, on the second."""
    first, second = np.arange(0.0, 10.01, 0.5), np.arange(30.13, 50.0, 0.4)
    counts = fold_sides(
        strokes(np.concatenate([first, [10.13], second]), 50.0), RATE, 12.0, 0.5, 0.4, 3.0
    ).counts

    assert counts.at_s == pytest.approx(10.13, abs=0.002)
    assert counts.resumes_s == pytest.approx(30.13, abs=0.002)


def test_what_is_turned_is_alike_by_so_many_bins() -> None:
    first, second = np.arange(0.0, 10.01, 0.5), np.arange(10.5 + 0.125, 20.0, 0.5)
    alike = fold_sides(strokes(np.concatenate([first, second]), 20.0), RATE, 10.2, 0.5, 0.5, 3.0).alike

    assert int(np.argmax(alike)) == pytest.approx(BINS / 4, abs=1)
    assert alike.max() > 0.95
    assert alike[0] < 0.1


def test_nothing_but_silence_has_no_side() -> None:
    sides = fold_sides(np.zeros(20000), RATE, 10.0, 0.5, 0.5, 3.0)
    assert np.all(sides.alike == 0.0)
    assert 7.0 <= sides.counts.at_s <= sides.counts.resumes_s <= 13.0
