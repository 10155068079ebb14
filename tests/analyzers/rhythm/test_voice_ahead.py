"""A voice ahead of the song is none of it: bar one is where the music begins (common practice).

The voice is a buzz in syllables, as pitched as speech is; how likely one sounds is given, so that nothing
rests on the networks, but for the last test.
"""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.level.silence import find_lead_in
from analyzers.rhythm.barline import FirstBar, first_bar
from analyzers.rhythm.grid import find_grid
from analyzers.rhythm.voice_ahead import voice_ahead
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.voice import ANSWERS_A_SECOND
from demo.render import render
from demo.spec import random_spec
from tests.analyzers.grid_kit import KICK, RATE, even, onsets_of, pattern, place, tone
from tests.training.voices import spoken

BEAT_S = 0.6  # 100 BPM
BAR_S = 4 * BEAT_S
SECONDS = 40.0
LINES_S = np.arange(1.0, SECONDS, BAR_S)  # 1.0, 3.4, 5.8, 8.2, ..


def buzz(start_s: float, end_s: float, gain: float = 0.1) -> np.ndarray:
    """Pulses of 130 Hz with two resonances, in syllables."""
    x = np.zeros(int(SECONDS * RATE))
    a, b = int(start_s * RATE), int(end_s * RATE)
    t = np.arange(b - a) / RATE
    tones = sum(
        np.exp(-(((130 * k - 600) / 300) ** 2)) * np.sin(2 * np.pi * 130 * k * t) for k in range(1, 12)
    )
    x[a:b] = gain * tones * np.sin(np.pi * 4.3 * t) ** 2
    return x


def song(start_s: float) -> np.ndarray:
    return place(SECONDS, pattern(even(60 / BEAT_S, start_s, SECONDS)))


def pad(start_s: float, gain: float) -> np.ndarray:
    """A soft chord that is held, with nothing below 120 Hz."""
    t = np.arange(int(SECONDS * RATE)) / RATE
    held = sum(np.sin(2 * np.pi * hz * t) for hz in (262, 330, 392, 1568, 4186, 8372))
    return gain * held * (t >= start_s)


def heard(*places: tuple[float, float]) -> np.ndarray:
    """Answers of the networks to a voice at these places."""
    out = np.full(int(20 * ANSWERS_A_SECOND), 0.02)
    for start_s, end_s in places:
        out[int(start_s * ANSWERS_A_SECOND) : int(end_s * ANSWERS_A_SECOND)] = 0.97
    return out


def found(sound: np.ndarray, first_sound_s: float, answers: np.ndarray | None) -> tuple[float, FirstBar]:
    bar = first_bar(onsets_of(sound), LINES_S, BEAT_S, first_sound_s, voice=answers)
    return float(LINES_S[bar.index]), bar


@pytest.mark.parametrize("gap_bars", [0, 1])
def test_after_words_and_silence_the_song_begins(gap_bars: int) -> None:
    start = 5.8 + gap_bars * BAR_S
    sound = song(start) + buzz(1.3, 5.3)
    at, bar = found(sound, 1.3, heard((1.3, 5.3)))
    assert at == pytest.approx(start)
    assert bar.voice
    assert bar.pickup_beats == pytest.approx((start - 1.3) / BEAT_S)
    assert bar.confidence > 0.8
    assert found(sound, 1.3, None)[0] < start  # without the voice it was music


def test_a_breath_after_the_words_is_no_music() -> None:
    breath = np.random.default_rng(3).standard_normal(int(SECONDS * RATE)) * 0.004
    breath[: int(4.4 * RATE)] = breath[int(5.6 * RATE) :] = 0.0
    sound = song(8.2) + buzz(1.3, 4.5) + breath
    at, bar = found(sound, 1.3, heard((1.3, 4.5)))
    assert at == pytest.approx(8.2)
    assert bar.confidence > 0.8


def test_a_pause_between_two_words_is_no_end() -> None:
    sound = song(5.8) + buzz(1.3, 2.4) + buzz(3.2, 5.5)
    assert found(sound, 1.3, heard((1.3, 2.4), (3.2, 5.5)))[0] == pytest.approx(5.8)
    assert found(sound, 1.3, heard((1.3, 2.4)))[0] == pytest.approx(3.4)


def test_a_pickup_after_a_voice_stays_one() -> None:
    sound = song(8.2) + place(SECONDS, [(7.6, KICK, 1.0), (7.9, KICK, 1.0)]) + buzz(1.3, 5.3)
    assert found(sound, 1.3, heard((1.3, 5.3)))[0] == pytest.approx(8.2)


def test_a_song_that_enters_under_the_last_words_begins_there() -> None:
    at, bar = found(song(5.8) + buzz(1.3, 7.5), 1.3, heard((1.3, 7.5)))
    assert at == pytest.approx(5.8)
    assert bar.voice
    assert bar.confidence > 0.8
    assert bar.beside == 1


def test_a_loud_word_on_a_bar_line_is_no_entry() -> None:
    """It leaps as a song does, but what follows the voice is far louder."""
    sound = song(5.8) + buzz(1.3, 3.0, 0.001) + buzz(3.4, 5.8, 0.02) + place(SECONDS, [(3.4, KICK, 0.3)])
    assert found(sound, 1.3, heard((1.3, 5.8)))[0] == pytest.approx(5.8)


# where it begins, in seconds; by how much of a beat its notes are off; whether bar one is asked about
@pytest.mark.parametrize(
    ("first_s", "off", "asked"), [(2.8, 0.0, True), (6.4, 0.0, False), (2.8, 0.12, False)]
)
def test_a_melody_into_the_drums_may_be_no_voice(first_s: float, off: float, asked: bool) -> None:
    """Whatever the networks say, bar one may be ahead of it; few notes, or some off the beat, are none."""
    places = np.arange(first_s, 8.0, BEAT_S / 2)
    places[1:] += off * BEAT_S
    notes = [(t, tone(hz, 0.28), 0.3) for t, hz in zip(places, [440.0, 523.25, 659.26] * 9, strict=False)]
    at, bar = found(place(SECONDS, notes) + song(8.2), first_s, heard((first_s, 8.2)))

    assert at == pytest.approx(8.2)
    assert bar.confidence == pytest.approx(0.75 if asked else 0.95, abs=0.001)
    assert not asked or bar.beside == -2


def test_where_silence_follows_the_words_no_song_was_under_them() -> None:
    """Though the last of them began on a bar line, and is as loud as the song."""
    sound = buzz(1.3, 3.0, 0.001) + buzz(3.4, 5.3, 0.2) + place(SECONDS, [(3.4, KICK, 0.5)]) + pad(8.2, 0.02)
    assert found(sound, 1.3, heard((1.3, 5.3)))[0] == pytest.approx(8.2)


def test_a_soft_song_under_the_words_has_begun() -> None:
    """No leap of level, no silence; but what sounds after the words sounded under them, too."""
    sound = buzz(1.3, 7.0) + pad(5.8, 0.02)
    at, bar = found(sound, 1.3, heard((1.3, 7.0)))
    assert at == pytest.approx(5.8)
    assert bar.voice
    assert bar.confidence < 0.92
    assert bar.beside == -1


def test_a_song_that_begins_with_the_last_word_begins_on_the_next_line() -> None:
    sound = buzz(1.3, 5.75) + pad(5.75, 0.02) + place(SECONDS, [(5.8, tone(262, 1.0), 0.5)])
    at, bar = found(sound, 1.3, heard((1.3, 5.75)))
    assert at == pytest.approx(5.8)
    assert bar.confidence <= 0.95
    assert bar.beside == -1


def test_who_begins_on_a_bar_line_may_belong_to_the_song() -> None:
    at, bar = found(song(8.2) + buzz(3.4, 7.3), 3.4, heard((3.4, 7.3)))
    assert at == pytest.approx(3.4)
    assert not bar.voice
    assert bar.confidence < 0.8
    assert LINES_S[bar.index + bar.beside] == pytest.approx(8.2)


def test_where_the_music_itself_tells_the_same_it_is_surer() -> None:
    """Noise in syllables without pitch is a tag by its chroma, too."""
    rng, n = np.random.default_rng(5), int(SECONDS * RATE)
    t = np.arange(n) / RATE
    words = 0.05 * rng.standard_normal(n) * np.sin(np.pi * 4.3 * t) ** 2 * (t > 3.7) * (t < 5.8)
    sound = song(5.8) + words
    assert found(sound, 3.7, None)[1].confidence > 0.5
    at, bar = found(sound + pad(5.75, 0.001), 3.7, heard((3.7, 5.75)))
    assert at == pytest.approx(5.8)
    assert bar.confidence > 0.8


@pytest.mark.parametrize(
    "answers",
    [
        heard(),  # nobody
        heard((4.0, 7.0)),  # somebody after the music has begun
        heard((1.3, 11.0)),  # somebody who goes on: a part of the song
        0.7 * heard((1.3, 5.3)),  # perhaps somebody
        heard((1.3, 1.5)),  # a breath
    ],
)
def test_music_that_no_voice_comes_before(answers: np.ndarray) -> None:
    sound = song(5.8) + buzz(1.3, 5.3)
    assert voice_ahead(onsets_of(sound), answers, 1.3) is None


@pytest.mark.parametrize("seed", [90001, 90013])
def test_a_spoken_tag_ahead_of_a_beat_moves_bar_one_to_the_music(seed: int) -> None:
    spec = random_spec(seed, length_s=24.0)
    beat, truth = render(spec)
    assert truth.first_sound_s is not None
    assert truth.first_downbeat_s is not None
    assert abs(truth.first_downbeat_s - truth.first_sound_s) < 0.03
    beat = beat[int(truth.first_sound_s * spec.rate) :]
    bar_s = 60 / truth.tempo_bpm * truth.beats_per_bar
    start_s = 1.37 * bar_s + 0.5
    rng = np.random.default_rng(seed)
    words = [
        (0.2 + 0.2 * k, 0.37 + 0.2 * k, int(rng.integers(45, 60)), 0, 1.0)
        for k in range(int(5 * start_s) - 3)
    ]
    voice = spoken(rng, words, int(start_s * spec.rate), spec.rate)
    tag = (0.15 * voice / np.abs(voice).max())[:, None] * np.ones(2)
    features = Features(Signal(np.concatenate([tag, beat]).astype(np.float32), spec.rate))
    grid = find_grid(features, find_lead_in(features))
    assert grid.voice_before
    assert grid.bar_one_s == pytest.approx(len(tag) / spec.rate, abs=0.03)
