"""Beats that start anew. What is true is arithmetic: where the strokes were put."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analyzers.level.silence import find_lead_in
from analyzers.model import Grid
from analyzers.rhythm import two_counts
from analyzers.rhythm.grid import find_grid
from analyzers.rhythm.two_counts import _Bars
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from tests.accuracy.restarts import drawn
from tests.analyzers.grid_kit import HAT, even, grid_of, pattern, place, tone

BPM, START, SECONDS = 100.0, 0.5, 60.0
PERIOD = 60.0 / BPM


def off_the_lines(grid: Grid, lines_s: np.ndarray) -> np.ndarray:
    """How far each true bar line is from the nearest found one (s)."""
    found = np.array(grid.beats_s)[np.array(grid.downbeats)]
    return np.abs(lines_s[:, None] - found).min(axis=1)


def bars_are_whole(grid: Grid) -> bool:
    return set(np.diff(np.flatnonzero(grid.downbeats))) == {grid.beats_per_bar}


def two(first: np.ndarray, second: np.ndarray) -> Grid:
    return grid_of(place(SECONDS, pattern(first) + pattern(second)))


@pytest.mark.parametrize("late_s", [0.09, -0.07, 0.2, 0.9 * PERIOD + 0.6, 2.3 * PERIOD])
def test_both_counts_of_one_tempo_lie_on_their_bars(late_s: float) -> None:
    first = START + PERIOD * np.arange(41)
    second = even(BPM, first[-1] + late_s, SECONDS)
    grid = two(first, second)

    assert grid.constant_tempo is False
    assert grid.tempo_bpm == pytest.approx(BPM)
    assert grid.tempo_confidence > 0.8
    [restart] = grid.restarts
    assert first[-1] - 4 * PERIOD < restart.from_s < restart.at_s < second[0] + 4 * PERIOD
    assert [bpm for _, bpm in grid.tempo_curve] == [grid.tempo_bpm, grid.tempo_bpm]
    assert grid.tempo_curve[1][0] == restart.at_s
    assert restart.at_s in grid.beats_s
    assert restart.from_s in grid.beats_s
    assert bars_are_whole(grid)
    assert off_the_lines(grid, first[:-5:4]).max() < 0.003
    assert off_the_lines(grid, second[4::4]).max() < 0.003


@pytest.mark.parametrize("shift", [0.25, 0.5, 0.75])
def test_a_cut_on_a_sixteenth_of_a_beat_full_of_them(shift: float) -> None:
    """The pulse goes on as if nothing were; the bars do not."""
    first = START + PERIOD * np.arange(41)
    second = even(BPM, first[-1] + shift * PERIOD, SECONDS)
    grid = grid_of(place(SECONDS, pattern(first, hats=4) + pattern(second, hats=4)))

    assert len(grid.restarts) == 1
    assert grid.tempo_bpm == pytest.approx(BPM)
    assert bars_are_whole(grid)
    assert off_the_lines(grid, first[:-5:4]).max() < 0.003
    assert off_the_lines(grid, second[4::4]).max() < 0.003


@pytest.mark.parametrize("seed", [75_000_023, 75_000_061, 80_000_022, 830_046])
def test_a_beat_that_plays_something_else_later_has_one_count(seed: int) -> None:
    """Chords off the beat before the drums come, a guitar that changes its pattern, triplets."""
    samples, truth = render(random_spec(seed, kind="beat" if seed == 80_000_022 else None))
    features = Features(Signal(samples, truth.samplerate))
    grid = find_grid(features, find_lead_in(features))

    assert truth.constant_tempo
    assert grid.restarts == ()


def test_another_beat_after_a_pause_has_its_own_tempo_and_bars() -> None:
    first = START + PERIOD * np.arange(41)
    second = even(84.0, first[-1] + 0.37, SECONDS)
    grid = two(first, second)

    assert len(grid.restarts) == 1
    assert [bpm for _, bpm in grid.tempo_curve] == pytest.approx([BPM, 84.0])
    assert bars_are_whole(grid)
    assert off_the_lines(grid, first[:-5:4]).max() < 0.003
    assert off_the_lines(grid, second[4::4]).max() < 0.003


def test_a_tempo_that_changes_on_the_beat_is_one_count() -> None:
    first = START + PERIOD * np.arange(41)
    grid = two(first, even(110.0, first[-1], SECONDS))

    assert grid.restarts == ()
    assert len(grid.tempo_curve) == 2


@pytest.mark.parametrize(
    ("before", "after", "beats"), [(100, 150, 48), (150, 100, 72), (96, 128, 48), (120, 80, 56)]
)
def test_two_tempi_that_one_lattice_holds_are_two(before: float, after: float, beats: int) -> None:
    """3:2 and 4:3: the faster pulse of one is the triplet, or the dotted note, of the other."""
    first = START + 60.0 / before * np.arange(beats + 1)
    second = even(after, first[-1], SECONDS)
    grid = two(first, second)

    assert grid.constant_tempo is False
    assert [bpm for _, bpm in grid.tempo_curve] == pytest.approx([before, after], rel=1e-5)
    assert off_the_lines(grid, first[:-5:4]).max() < 0.003
    assert off_the_lines(grid, second[4::4]).max() < 0.003


def test_triplets_in_the_second_half_are_no_other_tempo() -> None:
    first = START + PERIOD * np.arange(49)
    grid = grid_of(place(SECONDS, pattern(first, hats=2) + pattern(even(BPM, first[-1], SECONDS), hats=3)))

    assert grid.constant_tempo is True
    assert grid.tempo_bpm == pytest.approx(BPM)


@pytest.mark.parametrize(("second", "counted_on", "anew"), [(0.6, 0.01, True), (0.95, 0.3, False)])
def test_what_tells_of_two_tempi_is_whether_the_first_ones_bars_go_on(
    second: float, counted_on: float, anew: bool
) -> None:
    """Whichever of its own bar lines the second side has."""
    assert _Bars(late=20.06, first=1.0, second=second, counted_on=counted_on).start_anew is anew


@pytest.mark.parametrize("rest", [4, 8])
def test_a_rest_of_whole_bars_is_a_constant_tempo(rest: int) -> None:
    first = START + PERIOD * np.arange(41)
    grid = two(first, even(BPM, first[-1] + rest * PERIOD, SECONDS))

    assert grid.restarts == ()
    assert grid.constant_tempo is True


@pytest.mark.parametrize("beats", [42, 43, 39])
@pytest.mark.parametrize("rest", [0, 4])
def test_a_shorter_bar_is_followed_by_bars_of_its_own(beats: int, rest: int) -> None:
    """A bar of two or three beats, then on: the pulse never breaks off, the bars after it begin elsewhere."""
    first = START + PERIOD * np.arange(beats + 1)
    second = even(BPM, first[-1] + rest * PERIOD, SECONDS)
    grid = two(first, second)

    assert len(grid.restarts) == 1
    assert grid.tempo_bpm == pytest.approx(BPM)
    assert bars_are_whole(grid)
    assert off_the_lines(grid, first[:-9:4]).max() < 0.003
    assert off_the_lines(grid, second[8::4]).max() < 0.003
    assert grid.bar_one_s == pytest.approx(START, abs=0.003)


@pytest.mark.parametrize(("counted_on", "doubted"), [(0.01, True), (0.3, False)])
def test_bars_that_perhaps_start_anew_are_a_doubt(
    monkeypatch: pytest.MonkeyPatch, counted_on: float, doubted: bool
) -> None:
    """The second side is not sure enough of its bars, but it is that they are not those of the first."""
    told = two_counts._bars_of
    monkeypatch.setattr(
        two_counts, "_bars_of", lambda *asked: replace(told(*asked), second=0.6, counted_on=counted_on)
    )
    first = START + PERIOD * np.arange(43)
    grid = two(first, even(BPM, first[-1], SECONDS))

    assert grid.restarts == ()
    assert (grid.bar_one_confidence <= 0.5) is doubted
    places = {abs(c.late_beats): c.probability for c in grid.bar_one_alternatives}
    assert (places.get(2.0, 0.0) > 0.3) is doubted
    assert grid.bar_one_confidence + sum(places.values()) <= 1.0 + 1e-9


@pytest.mark.parametrize(("hats", "anew"), [(False, False), (True, True)])
def test_chords_on_every_and_before_the_drums_are_no_bars_of_their_own(
    monkeypatch: pytest.MonkeyPatch, hats: bool, anew: bool
) -> None:
    """Taken for beats they have bars half a beat off the drums'; with hats between, the count is cut."""
    beats = START + PERIOD * np.arange(81)
    strokes = pattern(beats[40:], hats=2)
    strokes += [(at + PERIOD / 2, tone(220.0 * k, 0.15), 0.8) for at in beats[:40] for k in (1, 1.5)]
    strokes += [(at, HAT, 1.0) for at in beats[:40]] * hats
    told = two_counts._bars_of

    def half_a_beat_early(*asked: Any) -> _Bars:
        return replace(told(*asked), late=10 + 3.5 / 4, first=1.0, second=1.0, counted_on=0.0)

    monkeypatch.setattr(two_counts, "find_bar_restart", lambda *_: (beats[40], 3.5 * PERIOD))
    monkeypatch.setattr(two_counts, "_bars_of", half_a_beat_early)
    grid = grid_of(place(SECONDS, strokes))

    assert bool(grid.restarts) is anew
    assert grid.bar_one_confidence <= 0.5 or anew


@pytest.mark.parametrize(
    ("seed", "late_s"),
    [(74_000_000, 0.092), (74_000_012, -0.045), (74_000_022, 0.268), (74_000_006, 1.269), (74_000_022, 2.25)],
)
def test_a_beat_with_a_cut_or_a_pause_keeps_its_tempo_and_its_bars(seed: int, late_s: float) -> None:
    """Whole productions, cut at a bar line as a bounce that lost samples or an edit by ear leaves them."""
    samples, beats = drawn(seed)
    lines = beats[beats[:, 1] > 0, 0]
    at_s = lines[len(lines) // 2]
    cut, lost = round(at_s * 44100) - 100, round(min(late_s, 0.0) * 44100)
    gap = np.zeros((round(max(late_s, 0.0) * 44100), 2), np.float32)
    features = Features(Signal(np.concatenate([samples[: cut + lost], gap, samples[cut:]]), 44100))
    grid = find_grid(features, find_lead_in(features))

    assert grid.tempo_bpm == pytest.approx(60.0 / np.diff(beats[:, 0]).mean(), rel=1e-4)
    assert len(grid.restarts) == 1
    assert bars_are_whole(grid)
    true = np.where(lines < at_s - 0.01, lines, lines + late_s)
    assert np.sort(off_the_lines(grid, true))[-3] < 0.005  # all but those beside the cut
