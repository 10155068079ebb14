"""What comes before the song is of another kind and out of time; what opens it is not (common practice)."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.before_song import song_enters
from analyzers.signal.voice import ANSWERS_A_SECOND
from tests.analyzers.grid_kit import HAT, KICK, RATE, even, onsets_of, pattern, place, tone

BEAT_S = 0.6  # 100 BPM
BAR_S = 4 * BEAT_S
SECONDS = 40.0
LINES_S = np.arange(1.0, SECONDS, BAR_S)  # 1.0, 3.4, 5.8, 8.2, ..
EIGHTHS_S = 1.0 + np.arange(8) * BEAT_S / 2


def song(start_s: float) -> np.ndarray:
    return place(SECONDS, pattern(even(60 / BEAT_S, start_s, SECONDS)))


def babble(start_s: float, end_s: float, hz: float = 0.0) -> np.ndarray:
    """Syllables of noise from 300 Hz up, or of a buzz of one pitch."""
    x, t = np.zeros(int(SECONDS * RATE)), np.arange(int(SECONDS * RATE)) / RATE
    part = (t >= start_s) & (t < end_s)
    buzz = sum(np.sin(2 * np.pi * hz * k * t) / k for k in range(2, 16))
    noise = np.diff(np.random.default_rng(5).standard_normal(len(t)), prepend=0.0)
    x[part] = 0.05 * ((buzz if hz else noise) * np.sin(np.pi * 4.3 * t) ** 2)[part]
    return x


def entering(sound: np.ndarray, first_s: float, voice: np.ndarray | None = None) -> dict[float, float]:
    """How likely the song enters on each line that is asked about."""
    lines, likely = song_enters(onsets_of(sound), LINES_S, BEAT_S, first_s, voice)
    return {round(float(LINES_S[k]), 1): float(p) for k, p in zip(lines, likely, strict=True)}


def heard(end_s: float) -> np.ndarray:
    """The networks' answers to a voice from the start on."""
    return np.where(np.arange(20 * ANSWERS_A_SECOND) < end_s * ANSWERS_A_SECOND, 0.97, 0.02)


@pytest.mark.parametrize(("first_s", "one_s"), [(1.0, 3.4), (2.1, 3.4), (1.3, 5.8), (1.0, 5.8)])
def test_the_song_enters_after_what_is_unlike_it(first_s: float, one_s: float) -> None:
    found = entering(babble(first_s, one_s - 0.05) + song(one_s), first_s)
    assert found[one_s] > 0.8
    assert sum(found.values()) < 1.0


@pytest.mark.parametrize(
    ("part", "places"),
    [(HAT, EIGHTHS_S), (KICK, EIGHTHS_S[::2])],
    ids=["hats", "kicks"],
)
def test_strokes_in_time_open_the_song(part: np.ndarray, places: np.ndarray) -> None:
    found = entering(place(SECONDS, [(t, part, 0.5) for t in places]) + song(3.4), 1.0)
    assert sum(found.values()) < 0.3


def test_strokes_out_of_time_do_not() -> None:
    places = 1.0 + BAR_S * np.sort(np.random.default_rng(3).uniform(0.0, 0.95, 8))
    found = entering(place(SECONDS, [(t, HAT, 0.5) for t in places]) + song(3.4), float(places[0]))
    assert found[3.4] > 0.8


def test_a_melody_opens_the_song_and_a_sung_line_does_not() -> None:
    """Both have pitch; only in one the networks hear a voice."""
    melody = place(
        SECONDS, [(t, tone(hz, 0.28), 0.3) for t, hz in zip(EIGHTHS_S, [440.0, 523.25] * 4, strict=True)]
    )
    assert sum(entering(melody + song(3.4), 1.0).values()) < 0.2
    sung = babble(1.3, 3.4, hz=220.0) + song(3.4)
    assert sum(entering(sung, 1.3).values()) < 0.2
    assert entering(sung, 1.3, heard(3.4))[3.4] > 0.8


def test_a_voice_over_the_songs_beginning_hides_it_from_nobody() -> None:
    """What sounds under the words is the song already; where it sounds only after them, it enters there."""
    t = np.arange(int(SECONDS * RATE)) / RATE
    pad = sum(0.1 * np.sin(2 * np.pi * hz * t) for hz in (98, 262, 392, 1568, 4186, 8372))
    under, after = (
        entering(babble(1.0, 3.4) + song(start) + pad * (t >= start), 1.0, heard(3.4)) for start in (1.0, 3.4)
    )
    assert sum(under.values()) < 0.5
    assert after[3.4] > 0.8


def test_silence_after_the_words_counts_for_nothing() -> None:
    """The song enters two bars after them, and on no line on which it is silent."""
    found = entering(babble(1.1, 3.0) + song(8.2), 1.1)
    assert found[8.2] > 0.8
    assert set(found) == {8.2, 10.6, 13.0} & set(found)


def test_what_sounds_longest_is_the_song() -> None:
    """More than nine seconds, even of a voice."""
    found = entering(babble(1.0, 10.5) + song(10.6), 1.0, heard(10.5))
    assert 10.6 not in found
