"""Songs that begin out of tempo, or slow down, around beats that are played to a click."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.borne_out import borne_out
from analyzers.rhythm.lattice_fit import fine_rise
from tests.analyzers.grid_kit import (
    HAT,
    KICK,
    SNARE,
    even,
    grid_of,
    noise_burst,
    onsets_of,
    pattern,
    place,
    tone,
)

BPM, SECONDS = 112.0, 40.0
BEAT_S = 60 / BPM
Strokes = list[tuple[float, np.ndarray, float]]


def free(start_s: float, end_s: float, seed: int = 3) -> Strokes:
    """Notes of a piano from one to the next after some .3 to .9 s: nobody counts them."""
    rng, at, out = np.random.default_rng(seed), start_s, []
    while at < end_s:
        out += [(at, tone(hz, 0.8), 1.0) for hz in (220.0, 277.2, 329.6)]
        at += float(rng.uniform(0.3, 0.9))
    return out


def slowing(start_s: float, seconds: float) -> list[float]:
    """Beats from `start_s` on, each a tenth longer than the one before."""
    times, step = [start_s], BEAT_S
    while times[-1] < seconds:
        step *= 1.1
        times.append(times[-1] + step)
    return times


def asked(strokes: Strokes, first_sound_s: float, line_s: float) -> tuple[float | None, float | None]:
    onsets = onsets_of(place(SECONDS, strokes))
    before = int(line_s / (4 * BEAT_S)) + 1
    beats = even(BPM, line_s - before * 4 * BEAT_S, SECONDS)
    return borne_out(onsets, fine_rise(onsets), beats, 4, first_sound_s)


def test_a_song_on_its_beats_throughout() -> None:
    assert asked(pattern(even(BPM, 0.5, SECONDS)), 0.5, 0.5) == (None, None)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_an_opening_out_of_tempo(seed: int) -> None:
    strokes = free(0.9, 8.5, seed) + pattern(even(BPM, 9.0, SECONDS))
    start, end = asked(strokes, 0.9, 9.0)
    assert start is not None
    assert 5.5 <= start <= 10.5
    assert end is None


def test_an_opening_that_begins_on_a_bar_line_is_in_tempo() -> None:
    """However little its chords say of the beat."""
    line = 9.0 - 4 * 4 * BEAT_S
    chords = [(line + k * 4 * BEAT_S, tone(220.0, 2.0, attack_s=0.4), 1.0) for k in range(4)]
    assert asked(chords + pattern(even(BPM, 9.0, SECONDS)), line, 9.0) == (None, None)


@pytest.mark.parametrize("off", [1 / 4, 1 / 3])
def test_an_opening_with_another_rhythm_is_in_tempo(off: float) -> None:
    """Sixteenths or triplets of hats alone, from between two bar lines on."""
    first = 9.0 - 14 * BEAT_S
    hats = [(at, HAT, 1.0) for at in np.arange(first, 8.9, off * BEAT_S)]
    body = pattern(even(BPM, 9.0, SECONDS), hats=round(1 / off))
    assert asked(hats + body, first, 9.0)[0] is None


@pytest.mark.parametrize("start_s", [27.0, 31.0])
def test_an_end_that_slows_down(start_s: float) -> None:
    beats = [at for at in even(BPM, 0.5, SECONDS) if at < start_s]
    strokes = pattern([*beats, *slowing(beats[-1] + BEAT_S, SECONDS - 1)])
    start, end = asked(strokes, 0.5, 0.5)
    assert start is None
    assert end is not None
    assert abs(end - start_s) < 3.5


def test_a_chord_that_rings_out_is_no_end_that_slows_down() -> None:
    beats = [at for at in even(BPM, 0.5, SECONDS) if at < 30.0]
    assert asked([*pattern(beats), (beats[-1], tone(110.0, 8.0), 1.0)], 0.5, 0.5) == (None, None)


def test_noise_says_nothing() -> None:
    bursts = [
        (at, noise_burst(0.05, 0.02, 0, k), 1.0)
        for k, at in enumerate(np.random.default_rng(5).uniform(0, 39, 300))
    ]
    assert asked(bursts, 0.01, 0.5) == (None, None)


def test_in_a_grid_the_first_bar_is_in_doubt_and_the_steady_part_is_the_other_place() -> None:
    strokes = free(0.9, 8.5) + pattern(even(BPM, 9.0, SECONDS))
    grid = grid_of(place(SECONDS, strokes))
    assert (grid.constant_tempo, grid.tempo_bpm) == (True, BPM)
    assert grid.steady_from_s is not None
    assert grid.steady_to_s is None
    assert grid.bar_one_confidence <= 0.5
    assert grid.constant_confidence <= 0.75
    assert grid.bar_one_s is not None
    other = grid.bar_one_alternatives[0]
    at = grid.bar_one_s + other.late_beats * BEAT_S
    assert grid.steady_from_s <= at < grid.steady_from_s + 4 * BEAT_S + 0.01
    assert other.probability == pytest.approx(grid.bar_one_confidence)

    steady = grid_of(place(SECONDS, pattern(even(BPM, 0.5, SECONDS))))
    assert (steady.steady_from_s, steady.steady_to_s) == (None, None)
    assert steady.constant_confidence > 0.9


def test_a_tempo_that_moves_has_no_steady_part() -> None:
    beats = np.cumsum(60 / (100 + 8 * np.sin(np.arange(80) / 9)))
    grid = grid_of(place(float(beats[-1]), [*pattern(beats), (0.1, KICK, 0.5), (0.1, SNARE, 0.2)]))
    assert grid.constant_tempo is False
    assert (grid.steady_from_s, grid.steady_to_s) == (None, None)
