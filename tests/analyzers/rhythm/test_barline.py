"""Which bar line is bar one: pickups, tags and late entries on bars of known content (common practice)."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.barline import first_bar
from tests.analyzers.grid_kit import KICK, RATE, SNARE, even, onsets_of, pattern, place, tone

BEAT_S = 0.6  # 100 BPM
BAR_S = 4 * BEAT_S
SECONDS = 40.0


def bar_one(sound: np.ndarray, first_sound_s: float, lines_from_s: float) -> tuple[float, float]:
    """Time of bar one and the pickup in beats, with a bar line at `lines_from_s` and every bar after it."""
    lines = np.arange(lines_from_s, SECONDS, BAR_S)
    k, pickup = first_bar(onsets_of(sound), lines, BEAT_S, first_sound_s)
    return float(lines[k]), pickup


def voice(start_s: float, end_s: float, gain: float = 0.05) -> np.ndarray:
    """Noise in syllables, four a second: no pitch, no place on the grid."""
    x = np.zeros(int(SECONDS * RATE))
    a, b = int(start_s * RATE), int(end_s * RATE)
    t = np.arange(b - a) / RATE
    x[a:b] = gain * np.random.default_rng(5).standard_normal(b - a) * np.sin(np.pi * 4.3 * t) ** 2
    return x


def song(start_s: float) -> np.ndarray:
    return place(SECONDS, pattern(even(60 / BEAT_S, start_s, SECONDS)))


def test_music_from_the_first_bar_line_on_begins_there() -> None:
    assert bar_one(song(1.0), 1.0, 1.0) == (1.0, 0.0)


def test_a_spoken_tag_before_the_song_is_no_bar_of_it() -> None:
    start = 1.0 + BAR_S
    found, pickup = bar_one(song(start) + voice(1.0, start), 1.0, 1.0)
    assert found == pytest.approx(start)
    assert pickup == pytest.approx(4.0)


# bars of noise, how loud the stroke on the last of them is, and how many are skipped
@pytest.mark.parametrize(("bars", "stroke", "skipped"), [(2, 0.01, 2), (3, 0.03, 2)])
def test_at_most_two_bars_are_taken_for_a_tag(bars: int, stroke: float, skipped: int) -> None:
    """Noise that enters anew, and louder, with every bar line: each bar looks like a tag of the next."""
    start = 1.0 + bars * BAR_S
    sound = song(start)
    for k in range(bars):
        line = 1.0 + k * BAR_S
        sound = sound + voice(line, line + BAR_S, gain=0.05 / 6 ** (bars - k))
        sound = sound + place(SECONDS, [(line, SNARE, stroke / 4 ** (bars - 1 - k))] if k else [])
    assert bar_one(sound, 1.0, 1.0)[0] == pytest.approx(1.0 + skipped * BAR_S)


def test_a_bar_of_chords_before_the_drums_is_the_song() -> None:
    start = 1.0 + BAR_S
    chord = [(1.0, tone(hz, BAR_S), 1.0) for hz in (220.0, 277.18, 329.63)]
    assert bar_one(song(start) + place(SECONDS, chord), 1.0, 1.0)[0] == pytest.approx(1.0)


def test_a_tag_after_which_nothing_enters_is_left_alone() -> None:
    """The same noise over all the song: no bar of it stands apart."""
    found, _ = bar_one(song(1.0) + voice(1.0, SECONDS - 1.0), 1.0, 1.0)
    assert found == pytest.approx(1.0)


@pytest.mark.parametrize("beats", [0.5, 1.0, 2.0, 3.0])
def test_strokes_before_the_bar_line_are_a_pickup(beats: float) -> None:
    start = 1.0 + BAR_S
    early = place(SECONDS, [(start - beats * BEAT_S, KICK, 0.8)])
    found, pickup = bar_one(song(start) + early, start - beats * BEAT_S, 1.0)
    assert found == pytest.approx(start)
    assert pickup == pytest.approx(beats, abs=0.01)


# ms by which the first sound comes before the line: pre-echo of a codec is no pickup, a sixteenth is
@pytest.mark.parametrize(("early_ms", "pickup"), [(20, False), (30, True), (150, True)])
def test_a_breath_before_the_line_is_the_same_event(early_ms: int, pickup: bool) -> None:
    found, beats = bar_one(song(3.4), 3.4 - early_ms / 1000, 1.0)
    assert found == pytest.approx(3.4)
    assert (beats > 0) == pickup


# beats by which the first sound comes after the line: a bar may begin with a short rest
@pytest.mark.parametrize(("late", "bars_on"), [(0.25, 0), (0.35, 1)])
def test_a_bar_may_begin_with_a_short_rest(late: float, bars_on: int) -> None:
    found, _ = bar_one(song(1.0), 1.0 + late * BEAT_S, 1.0)
    assert found == pytest.approx(1.0 + bars_on * BAR_S)
