"""A voice in the beat is noticed where it sounds, and none where nobody is heard.

The voices are made by formant synthesis with the resonances that Peterson and Barney measured (J. Acoust.
Soc. Am. 24, 1952), by a recipe of its own: the networks have not heard it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from analyzers.health.faults import find_faults
from analyzers.health.voice import judge_voice, voice_places
from analyzers.level.loudness import measure_loudness
from analyzers.level.silence import find_lead_in
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.voice import voice_bands, voice_probability
from demo.render import render
from demo.spec import random_spec
from tests.training.voices import spoken, sung

FROM_S, TO_S = 8.0, 14.0


@cache
def beat(seed: int) -> tuple[np.ndarray, int]:
    spec = random_spec(seed)
    samples, _ = render(spec)
    return np.asarray(samples, np.float32)[: 24 * spec.rate], spec.rate


def with_voice(seed: int, kind: str, db: float = 0.0) -> Signal:
    """A beat in which somebody talks or sings from 8 to 14 s, so loud beside it."""
    samples, rate = beat(seed)
    rng = np.random.default_rng(seed)
    notes = [
        (FROM_S + 0.375 * k, FROM_S + 0.375 * k + 0.32, int(rng.integers(52, 66)), 0, 1.0) for k in range(16)
    ]
    make = sung if kind == "sung" else spoken
    extra = (0.0, False) if kind == "sung" else ()
    voice = make(rng, notes, len(samples), rate, *extra)
    here = slice(int(FROM_S * rate), int(TO_S * rate))
    voice *= 10 ** (db / 20) * samples[here].std() / voice[here].std()
    return Signal((samples + voice[:, None]).astype(np.float32), rate)


@pytest.mark.parametrize("kind", ["sung", "spoken"])
def test_a_voice_is_told_with_its_place(kind: str) -> None:
    flag = judge_voice(Features(with_voice(90001, kind)))[0]
    assert flag.severity == "warning"
    assert flag.code == "voice"
    assert flag.start_s == pytest.approx(FROM_S, abs=1.0)
    assert flag.end_s == pytest.approx(TO_S, abs=1.0)
    assert flag.places_s[0][0] == flag.start_s


def test_no_voice_begins_before_the_first_sound() -> None:
    """A tag out of silence: page and card say one second for its beginning (the first sample of it)."""
    signal = with_voice(90001, "spoken")
    samples = signal.samples.copy()
    samples[: round(FROM_S * signal.rate)] = 0.0
    features = Features(Signal(samples, signal.rate))
    lead_in = find_lead_in(features)
    [flag] = [f for f in find_faults(features, lead_in, measure_loudness(features)) if f.code == "voice"]
    assert flag.start_s == flag.places_s[0][0] == pytest.approx(lead_in.first_sound_s)


@pytest.mark.parametrize("seed", [90001, 90003])
def test_a_beat_without_a_voice_has_no_such_flag(seed: int) -> None:
    samples, rate = beat(seed)
    assert judge_voice(Features(Signal(samples, rate))) == []


def test_silence_and_what_is_too_short_have_no_voice() -> None:
    for length in (100, 44100 // 2, 44100 * 4):
        assert judge_voice(Features(Signal(np.zeros((length, 2), np.float32), 44100))) == []


def test_the_answer_does_not_depend_on_where_the_pieces_are_cut() -> None:
    """A voice late in a long signal: pieces of 20 s overlap and are put together without a seam."""
    signal = with_voice(90001, "spoken")
    long = np.concatenate([beat(90001)[0], beat(90001)[0], signal.samples])
    bands = voice_bands(np.ascontiguousarray(long.mean(axis=1)), signal.rate)
    found = voice_probability(bands)
    assert len(found) == -(-bands.shape[1] // 4)
    [(start, end)] = voice_places(found)
    offset = 2 * 24.0
    assert start == pytest.approx(offset + FROM_S, abs=1.0)
    assert end == pytest.approx(offset + TO_S, abs=1.0)


def test_places_need_more_than_a_moment_and_join_over_short_gaps() -> None:
    quiet = np.zeros(200, np.float32)
    assert voice_places(quiet) == []
    moment = quiet.copy()
    moment[50:62] = 1.0  # sure for 1 s: of three answers only is the mean over 0.8 s so sure
    assert voice_places(moment) == []
    moment[50:64] = 1.0
    assert len(voice_places(moment)) == 1
    two = quiet.copy()
    two[50:75] = two[90:115] = 1.0  # 2 s, a gap of 1.2 s, 2 s
    [(start, end)] = voice_places(two)
    assert (start, end) == (pytest.approx(4.0, abs=0.5), pytest.approx(9.2, abs=0.5))
    two[90:115] = 0.0
    two[150:175] = 1.0
    assert len(voice_places(two)) == 2
