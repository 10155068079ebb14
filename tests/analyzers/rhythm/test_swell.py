"""What is turned round grows up to the song's entry; what is struck, plucked or held does not.

Common practice: a reversed cymbal leads into a bar, a pickup is counted.
"""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.swell import grows_into
from tests.analyzers.grid_kit import (
    HAT,
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

BEAT_S = 0.6  # 100 BPM
SECONDS, ONE_S = 30.0, 2.0


def song() -> np.ndarray:
    return place(SECONDS, pattern(even(100.0, ONE_S, SECONDS)))


def reversed_cymbal(beats: float) -> np.ndarray:
    """The end of a cymbal of half a second's decay, turned round: 10 dB louder after each 0.6 s."""
    return 0.8 * noise_burst(beats * BEAT_S, 0.5, 1, 4)[::-1]


def reversed_chord(beats: float) -> np.ndarray:
    dies = np.exp(-np.arange(int(beats * BEAT_S * RATE)) / RATE / 0.5)
    return sum(tone(hz, beats * BEAT_S)[: len(dies)] * dies for hz in (220.0, 261.63, 329.63))[::-1]


@pytest.mark.parametrize("sound", [reversed_cymbal, reversed_chord])
@pytest.mark.parametrize("beats", [1, 2])
def test_what_is_turned_round_before_bar_one_is_a_swell(sound, beats: int) -> None:
    start = ONE_S - beats * BEAT_S
    ahead = place(SECONDS, [(start, sound(beats), 1.0)])

    assert grows_into(onsets_of(song() + ahead), start, ONE_S)
    grid = grid_of(song() + ahead)
    assert grid.bar_one_s == pytest.approx(ONE_S, abs=0.005)
    assert grid.swell_before


def strokes(sound: np.ndarray, beats: float, gains: np.ndarray) -> np.ndarray:
    at = ONE_S - beats * BEAT_S + np.arange(len(gains)) * beats * BEAT_S / len(gains)
    return place(SECONDS, [(t, sound, g) for t, g in zip(at, gains, strict=True)])


@pytest.mark.parametrize("beats", [1, 2])
@pytest.mark.parametrize("kind", ["fill", "hats", "run", "line", "held"])
def test_fills_runs_and_lines_are_pickups_though_they_get_louder(kind: str, beats: int) -> None:
    """Sixteenths that grow by 9 dB; a bass run or a bowed line in eighths that grows by 2; one note."""
    start, notes = ONE_S - beats * BEAT_S, 2 * beats
    louder, little = np.linspace(0.35, 1.0, 4 * beats), np.linspace(0.8, 1.0, notes)
    ahead = {
        "fill": lambda: strokes(SNARE, beats, louder),
        "hats": lambda: strokes(HAT, beats, louder),
        "run": lambda: strokes(tone(82.41, BEAT_S / 2), beats, little),
        "line": lambda: strokes(tone(440.0, BEAT_S / 2, attack_s=0.05), beats, little),
        "held": lambda: strokes(tone(440.0, beats * BEAT_S, attack_s=0.06), beats, np.ones(1)),
    }[kind]()

    assert not grows_into(onsets_of(song() + ahead), start, ONE_S)


def test_what_is_shorter_than_any_swell_is_none() -> None:
    start = ONE_S - BEAT_S / 4
    ahead = place(SECONDS, [(start, reversed_cymbal(0.25), 1.0)])

    assert not grows_into(onsets_of(song() + ahead), start, ONE_S)
