"""A count-in ahead of a song: sticks on the beats of a bar or two (common practice), and what is none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analyzers.rhythm.barline import FirstBar, first_bar
from tests.analyzers.grid_kit import (
    HAT,
    KICK,
    RATE,
    SNARE,
    even,
    grid_of,
    noise_burst,
    onsets_of,
    pattern,
    place,
    tone,
)

BEAT_S, SECONDS, START_S = 0.6, 30.0, 1.0
BAR_S = 4 * BEAT_S
STICK = noise_burst(0.03, 0.006, 1, 9)


def counted(beats: Sequence[float], stroke: np.ndarray, bars: int, gain: float = 1.0) -> np.ndarray:
    """Strokes on so many beats after the start, and the song after `bars`."""
    song = pattern(even(60 / BEAT_S, START_S + bars * BAR_S, SECONDS))
    strokes = [(START_S + beat * BEAT_S, stroke, gain) for beat in beats]
    return place(SECONDS, [*strokes, *song])


def found_in(sound: np.ndarray, first_sound_s: float = START_S) -> tuple[float, FirstBar]:
    lines = np.arange(START_S, SECONDS, BAR_S)
    found = first_bar(onsets_of(sound), lines, BEAT_S, first_sound_s)
    return float(lines[found.index]), found


@pytest.mark.parametrize(
    ("beats", "bars"),
    [((0, 1, 2, 3), 1), (range(8), 2), ((0, 2, 4, 5, 6, 7), 2)],
)
@pytest.mark.parametrize("gain", [0.3, 1.5])
def test_the_song_begins_after_its_count_in(beats: Sequence[float], bars: int, gain: float) -> None:
    at, found = found_in(counted(beats, STICK, bars, gain))

    assert at == pytest.approx(START_S + bars * BAR_S)
    assert found.count_in
    assert found.pickup_beats == pytest.approx(4 * bars)
    assert found.beside == -bars
    assert 0.8 < found.confidence < 1.0


def wood() -> np.ndarray:
    """Two sticks: a sharp tone that rings with the body of the wood below it."""
    t = np.arange(round(0.06 * RATE)) / RATE
    body = 0.4 * np.sin(2 * np.pi * 480 * t) * np.exp(-t / 0.015)
    return 0.6 * np.sin(2 * np.pi * 1700 * t) * np.exp(-t / 0.01) + body


def after_sticks(stroke: np.ndarray, bass: float) -> np.ndarray:
    """Four strokes, then kicks on all beats, claps, hats and a bass; no chords."""
    beats = even(60 / BEAT_S, START_S + BAR_S, SECONDS)
    clap, low = noise_burst(0.1, 0.03, 1, 3), tone(49.0, 0.9 * BEAT_S)
    song = [(t, sound, gain) for t in beats for sound, gain in ((KICK, 1.0), (low, bass), (HAT, 0.6))]
    song += [(t, clap, 1.0) for t in beats[1::2]] + [(t + BEAT_S / 2, HAT, 0.6) for t in beats]
    return place(SECONDS, [(START_S + k * BEAT_S, stroke, 1.0) for k in range(4)] + song)


@pytest.mark.parametrize(
    ("stroke", "bass"), [(wood(), 0.03), (STICK, 0.03), (noise_burst(0.6, 0.25, 1, 8), 1.0)]
)
def test_a_count_in_is_one_before_drums_alone_and_on_hats_that_ring(stroke: np.ndarray, bass: float) -> None:
    """Drums without chords have little between 120 Hz and 1 kHz, where wood rings, too; of hats that ring the
    first leaps out of silence (common practice)."""
    at, found = found_in(after_sticks(stroke, bass))

    assert found.count_in
    assert at == pytest.approx(START_S + BAR_S)


# eighths on hats; beats left out; a kick, a snare alone; more bars than anybody counts; a stroke off the beat
@pytest.mark.parametrize(
    ("beats", "stroke", "bars"),
    [
        (np.arange(0, 4, 0.5), HAT, 1),
        ((0, 1, 3), STICK, 1),
        ((0, 2), STICK, 1),
        ((0, 1, 2, 3), KICK, 1),
        ((0, 1, 2, 3), SNARE, 1),
        (range(12), STICK, 3),
        ((0, 1, 2, 2.5, 3), STICK, 1),
        ((0, 1, 4, 5, 6, 7), STICK, 2),
    ],
)
def test_what_else_a_song_begins_with_is_its_own(
    beats: Sequence[float], stroke: np.ndarray, bars: int
) -> None:
    assert not found_in(counted(beats, stroke, bars))[1].count_in


def test_strokes_that_go_on_are_the_songs() -> None:
    """No leap: only sticks, all the way."""
    sound = place(SECONDS, [(t, STICK, 1.0) for t in even(60 / BEAT_S, START_S, SECONDS)])
    at, found = found_in(sound)

    assert at == pytest.approx(START_S)
    assert not found.count_in


def test_a_count_begins_on_a_line() -> None:
    """Three strokes lead to the next one: a pickup."""
    _, found = found_in(counted((1, 2, 3), STICK, 1), START_S + BEAT_S)

    assert not found.count_in
    assert found.pickup_beats == pytest.approx(3.0)


def test_the_grid_says_that_a_count_in_comes_first() -> None:
    grid = grid_of(counted(range(8), STICK, 2), first_sound_s=START_S)

    assert grid.bar_one_s == pytest.approx(START_S + 2 * BAR_S, abs=0.002)
    assert grid.count_in_before
