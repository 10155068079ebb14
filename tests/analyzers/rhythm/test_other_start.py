"""A false start ahead of a song: two bars of its beginning, a pause, the song off their count or on it."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.barline import first_bar
from analyzers.rhythm.other_start import other_start
from tests.analyzers.grid_kit import KICK, RATE, even, grid_of, onsets_of, pattern, place

BEAT_S, SECONDS = 0.6, 40.0
BAR_S, FIRST_S = 4 * BEAT_S, 0.5


def delivered(song_s: float, first: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sound, and all bar lines of the song from `song_s` on, carried back ahead of the file's start."""
    lines = np.arange(song_s - 10 * BAR_S, SECONDS, BAR_S)
    song = place(SECONDS, pattern(even(60 / BEAT_S, song_s, SECONDS)))
    return song + first, lines[lines > -BAR_S]


def bars(count: int) -> np.ndarray:
    """So many bars as the song has them, from `FIRST_S` on."""
    return place(SECONDS, pattern(FIRST_S + BEAT_S * np.arange(4 * count + 1)))


@pytest.mark.parametrize("off_beats", [0.37, 1.0, 2.0, 2.6])
def test_a_song_that_is_off_the_count_of_what_comes_before_a_pause_begins_after_it(off_beats: float) -> None:
    song_s = FIRST_S + 3 * BAR_S + off_beats * BEAT_S
    sound, lines = delivered(song_s, bars(2))

    found = first_bar(onsets_of(sound), lines, BEAT_S, FIRST_S)

    assert lines[found.index] == pytest.approx(song_s)
    assert found.other_start
    assert found.pickup_beats == pytest.approx((song_s - FIRST_S) / BEAT_S)
    assert found.confidence < 0.8


@pytest.mark.parametrize("first", [bars(2), place(SECONDS, [(FIRST_S, KICK, 1.0)])])
def test_a_stop_that_keeps_the_count_is_the_songs(first: np.ndarray) -> None:
    sound, lines = delivered(FIRST_S + 3 * BAR_S, first)

    found = first_bar(onsets_of(sound), lines, BEAT_S, FIRST_S)

    assert lines[found.index] == pytest.approx(FIRST_S)
    assert not found.other_start
    assert found.confidence == 1.0


def test_a_stop_later_in_the_song_is_not_judged() -> None:
    sound, lines = delivered(FIRST_S + 9 * BAR_S + 0.37 * BEAT_S, bars(8))

    assert other_start(onsets_of(sound), lines, BEAT_S, FIRST_S) is None


def test_a_rest_of_less_than_a_beat_is_no_pause() -> None:
    first = bars(2)
    end_s = FIRST_S + 1.7 * BAR_S
    first[int(end_s * RATE) :] = 0.0
    sound, lines = delivered(end_s + 0.9 * BEAT_S, first)

    assert other_start(onsets_of(sound), lines, BEAT_S, FIRST_S) is None


def test_the_grid_says_that_a_false_start_comes_first() -> None:
    song_s = FIRST_S + 3 * BAR_S + 0.37 * BEAT_S
    sound, _ = delivered(song_s, bars(2))

    grid = grid_of(sound, first_sound_s=FIRST_S)

    assert grid.bar_one_s == pytest.approx(song_s, abs=0.002)
    assert grid.other_start_before
