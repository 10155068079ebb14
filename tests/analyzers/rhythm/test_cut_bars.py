"""Bars that were cut in another number of beats than they have, written note by note, without drums."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm import cut_bars
from analyzers.rhythm.cut_bars import cut_anew
from analyzers.rhythm.reading import Reading
from tests.analyzers.grid_kit import grid_of, onsets_of, place, tone

START_S = 0.3


def song(bpm: float, bars: int = 24, beats: int = 5) -> np.ndarray:
    """A bass in eighths with rests, the same in each bar; a chord on its first beat."""
    beat, out = 60 / bpm, []
    for bar in range(bars):
        line = START_S + bar * beats * beat
        root = 55.0 * (1.0, 1.335, 1.498, 0.891)[bar % 4]
        for k in (0, 1, 3, 4, 6, 8, 9, 11, 12):
            if k < 2 * beats:
                out.append((line + k * beat / 2, tone(root * (1 if k % 3 else 2), 0.4 * beat), 0.8))
        out += [(line, tone(root * r, 2 * beat), 0.5) for r in (4, 5, 6)]
    return place(START_S + bars * beats * beat + 0.5, out)


def read(bpm: float, beats: int = 4) -> Reading:
    return Reading(60 / bpm, 0.0, beats, 0.99, 0.95, 0.99, 0.9, ((60 / bpm, 1.0),), ((2.0, 0.05),))


@pytest.mark.parametrize(("beats", "found"), [(5, 4 / 5), (5, 2 / 5), (7, 4 / 7), (7, 2 / 7)])
def test_four_parts_of_bars_of_five_or_seven_are_no_beats(beats: int, found: float) -> None:
    """132 BPM in five: read at 105.6, each bar in four, or 52.8, two bars in four."""
    reading = cut_anew(onsets_of(song(132.0, beats=beats)), 1.0, read(132.0 * found))
    assert min(abs(60 / reading.ratio / 132.0 / level - 1) for level in (0.5, 1.0)) < 1e-6
    assert 60 / reading.ratio >= 75.0
    assert reading.tempo_probability == cut_bars.SURE
    assert reading.bar_probability <= 0.5
    assert reading.tempi[0][0] == reading.ratio
    assert sum(p for _, p in reading.tempi) == pytest.approx(1.0)


@pytest.mark.parametrize(("bpm", "beats"), [(132.0, 5), (132.0, 4), (100.0, 3), (66.0, 4)])
def test_beats_that_do_not_divide_in_five_stay(bpm: float, beats: int) -> None:
    reading = read(bpm)
    assert cut_anew(onsets_of(song(bpm, beats=beats)), 1.0, reading) is reading


@pytest.mark.parametrize("bpm", [126.0, 132.0, 141.0])
def test_music_in_five_without_drums_keeps_its_tempo(bpm: float) -> None:
    grid = grid_of(song(bpm))
    assert min(abs(grid.tempo_bpm / bpm / level - 1) for level in (0.5, 1.0)) < 1e-3
    assert grid.meter_confidence <= 0.5


def rows_of_three(bpm: float) -> np.ndarray:
    """24 bars of four beats: a run in thirds of a beat, louder on the beat, its bass on each of them."""
    beat, out = 60 / bpm, []
    for k in range(96):
        root = 110.0 * 2 ** ((0, 5, 7, 2)[k // 4 % 4] / 12)
        for row in range(3):
            at = START_S + (k + row / 3) * beat
            out.append((at, tone(2 * root * (1.0, 1.26, 1.5)[row], beat / 3), 0.9 if row == 0 else 0.4))
        out.append((START_S + k * beat, tone(root / 2, 0.6 * beat), 0.9 if k % 2 == 0 else 0.6))
    return place(START_S + 96 * beat + 0.5, out)


def test_three_beats_of_four_rows_whose_halves_come_again_are_four_beats_of_three() -> None:
    """166.67 BPM in rows of three: read at 125 in 3/4."""
    reading = cut_anew(onsets_of(rows_of_three(166.67)), 1.0, read(125.0, beats=3))
    assert 60 / reading.ratio == pytest.approx(166.67, rel=1e-3)
    assert (reading.beats, reading.bar_probability, reading.other_lines) == (4, 0.9, ((2.0, 0.05),))
    assert reading.tempo_probability == reading.meter_probability == cut_bars.SURE


def test_bars_of_three_stay() -> None:
    for bpm in (90.0, 125.0):
        reading = read(bpm, beats=3)
        assert cut_anew(onsets_of(song(bpm, beats=3)), 1.0, reading) is reading
