"""Where the music turns, folded on bars: sections, entries, fills, crashes (on bar lines by common practice).

Songs here are tables of attacks, levels and chroma with a bar of four beats; what is expected is arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.folding import folded, layout
from analyzers.rhythm.turns import CURVES, CYCLES, MOVES, ROWS, shares, turn_rows

BEATS, SLOTS = 96, 12
LOW, MIDDLE, HIGH = 0, 2, 4  # rows of what enters, each followed by what leaves
FILL, CRASH = 10, 12  # curves


def song(late: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A kick on every beat; hats come and go every four bars; a chord in each bar; begun `late` beats in."""
    hits, level = np.zeros((6, BEATS, SLOTS)), np.zeros((6, BEATS))
    beat = np.arange(BEATS) + late
    hits[0, :, 0] = 1.0
    hats = beat // 16 % 2 == 1
    hits[5, hats, ::6] = 1.0
    level[:, :], level[5, hats] = 20.0, 40.0
    chroma = np.zeros((24, BEATS))
    chroma[beat // 4 * 5 % 12, np.arange(BEATS)] = 1.0
    return hits, level, chroma


def turned(made: tuple[np.ndarray, np.ndarray, np.ndarray], beats: int = 4) -> np.ndarray:
    rows = turn_rows(*made)
    assert rows.shape == (ROWS, BEATS)
    return shares(rows, folded(rows, beats))


def moves(table: np.ndarray) -> np.ndarray:
    """Shares of each half beat in what enters and leaves [shape=(MOVES, half beats)]."""
    return table[-2 * MOVES :].reshape(MOVES, 2, -1).transpose(0, 2, 1).reshape(MOVES, -1)


def test_folding_is_the_mean_of_each_beat_of_the_bar_also_where_the_last_bar_is_short() -> None:
    curves = np.arange(20.0).reshape(2, 10)
    assert folded(curves, 4)[0].tolist() == [4.0, 5.0, 4.0, 5.0]
    assert folded(curves, 3)[1].tolist() == [14.5, 14.0, 15.0]


def test_bars_that_begin_on_another_beat_are_the_same_means_in_another_order() -> None:
    bars = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0], [0.0, 0.0, 0.0]])
    table = bars.ravel()[layout(((1, 2),), 3)]
    assert table[0].tolist() == [1, 4, 2, 5, 3, 6, 0, 0]
    assert table[1].tolist() == [2, 5, 3, 6, 1, 4, 0, 0]


@pytest.mark.parametrize("late", [0, 1, 3])
def test_sections_and_chords_turn_on_the_first_beat_wherever_the_song_begins(late: int) -> None:
    table = turned(song(late))
    first = -late % 4
    for curve in (
        0,
        1,
        2,
        4 + 1,
        CURVES,
    ):  # attacks, chroma, level up, the same for longer spans, all together
        for power in (0, CURVES + 1):
            assert np.argmax(table[power + curve]) == first, (curve, power)


def test_turns_every_four_bars_stand_out_against_the_usual_beat() -> None:
    cycles = turned(song())[2 * (CURVES + 1) :][: len(CYCLES)]
    assert cycles[0, 0] > cycles[0, 1:].max() + 0.2


def test_what_enters_after_a_rest_and_what_leaves_is_told_by_half_beats() -> None:
    hits, level, chroma = song()
    hits[:3] = 0.0
    hits[0, 18:40, 6] = (
        1.0  # low attacks on the offbeats from the third beat of a bar to the fourth of another
    )
    table = moves(turned((hits, level, chroma)))
    assert np.argmax(table[LOW]) == 2 * 2 + 1
    assert np.argmax(table[LOW + 1]) == 3 * 2 + 1
    assert table[HIGH, 0] == pytest.approx(1.0, abs=1e-3)
    assert not table[MIDDLE].any()


def test_a_fill_and_a_crash_tell_the_beat_after_the_one_and_of_the_other() -> None:
    hits, level, chroma = song()
    hits[3, 14:16, ::2] = hits[3, 78:80, ::2] = 1.0
    for at in (16, 80):
        level[4:, at : at + 3] += 30.0
    table = turned((hits, level, chroma))
    assert np.argmax(table[FILL]) == 0
    assert np.argmax(table[CRASH]) == 0


def test_a_song_without_any_attack_gives_numbers() -> None:
    nothing = np.zeros((6, 9, SLOTS)), np.zeros((6, 9)), np.zeros((24, 9))
    rows = turn_rows(*nothing)
    assert np.isfinite(shares(rows, folded(rows, 2))).all()
