"""Tuning against tones whose frequencies are published: ISO 16:1975 and equal temperament."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from analyzers.harmony.tuning import find_tuning
from analyzers.model import Tuning
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.spectrum import note_hz

RATE = 44100

# Note frequencies at A4 = 440 Hz: printed in any physics handbook, e.g. middle C 261.63 Hz.
HANDBOOK_HZ = {
    24: 32.7032,
    36: 65.4064,
    45: 110.0,
    57: 220.0,
    60: 261.6256,
    69: 440.0,
    81: 880.0,
    107: 3951.0664,
}
# reference pitch and its offset: 1200 * log2(f / 440), two decimals
REFERENCES = [(430.0, -39.80), (432.0, -31.77), (435.0, -19.79), (438.0, -7.89), (440.0, 0.0), (441.0, 3.93),
              (442.0, 7.85), (443.0, 11.76), (444.0, 15.67), (445.0, 19.56)]  # fmt: skip


def tone(hz: float, seconds: float, harmonics: int = 6, rate: int = RATE) -> np.ndarray:
    t = np.arange(int(seconds * rate)) / rate
    wave = sum(np.sin(2 * np.pi * hz * h * t) / h for h in range(1, harmonics + 1))
    return np.asarray(wave * np.minimum(1, np.minimum(t, seconds - t) / 0.01) * 0.1)


def progression(a4: float, rate: int = RATE) -> np.ndarray:
    """C, Am, F, G, one second each, twice."""
    chords = [(60, 64, 67), (57, 60, 64), (53, 57, 60), (55, 59, 62)] * 2
    return np.concatenate([sum(tone(note_hz(n) * a4 / 440, 1.0, rate=rate) for n in c) for c in chords])


def tuning_of(wave: np.ndarray, rate: int = RATE) -> Tuning:
    return find_tuning(Features(Signal(wave.astype(np.float32)[:, None], rate)))


@pytest.mark.parametrize(("note", "hz"), HANDBOOK_HZ.items())
def test_equal_temperament_has_the_handbook_frequencies(note: int, hz: float) -> None:
    assert note_hz(note) == pytest.approx(hz, abs=6e-5)


@pytest.mark.parametrize(("a4", "cents"), REFERENCES)
def test_reference_pitch_is_read_to_two_cents(a4: float, cents: float) -> None:
    found = tuning_of(progression(a4))
    assert found.cents == pytest.approx(cents, abs=2.0)
    assert found.a4_hz == pytest.approx(a4, abs=0.5)
    assert found.confidence > 0.8


def test_a_fifth_of_a_cent_is_told_apart() -> None:
    """The reading follows the pitch between the cells of the histogram, which are a cent wide."""
    cents = 3.0 + 0.2 * np.arange(6)
    found = [tuning_of(progression(440 * 2 ** (c / 1200))).cents for c in cents]
    assert np.diff(np.array(found, float)) == pytest.approx(0.2, abs=0.06)
    assert np.array(found, float) == pytest.approx(cents, abs=0.7)


@pytest.mark.parametrize("rate", [22050, 48000, 96000])
def test_the_rate_of_the_file_does_not_matter(rate: int) -> None:
    assert tuning_of(progression(443.0, rate), rate).cents == pytest.approx(11.76, abs=2.0)


def test_agrees_with_librosa_on_a_clean_signal() -> None:
    wave = progression(436.0)
    theirs = 100 * librosa.estimate_tuning(y=wave.astype(np.float32), sr=RATE, n_fft=16384, resolution=0.01)
    assert tuning_of(wave).cents == pytest.approx(theirs, abs=3.0)


@pytest.mark.parametrize("cents", [-49.0, 49.0])
def test_near_half_a_semitone_the_reading_may_come_from_either_side(cents: float) -> None:
    found = tuning_of(progression(440 * 2 ** (cents / 1200))).cents
    assert found is not None
    assert abs((found - cents + 50) % 100 - 50) < 2.0
    assert -50 <= found <= 50


def test_two_voices_detuned_against_each_other_are_read_in_the_middle() -> None:
    wave = progression(440 * 2 ** (-12 / 1200)) + progression(440 * 2 ** (12 / 1200))
    assert tuning_of(wave).cents == pytest.approx(0.0, abs=3.0)


def test_a_gliding_bass_does_not_pull() -> None:
    t = np.arange(8 * RATE) / RATE
    glide = 0.8 * np.sin(2 * np.pi * np.cumsum(55 * 2 ** (0.5 + 0.4 * np.sin(2 * np.pi * 0.3 * t))) / RATE)
    wave = progression(443.0)
    assert tuning_of(wave + glide[: len(wave)]).cents == pytest.approx(11.76, abs=2.0)


def test_drums_over_the_music_do_not_pull() -> None:
    rng = np.random.default_rng(3)
    wave = progression(438.0)
    for start in range(0, len(wave) - RATE // 4, RATE // 2):
        t = np.arange(RATE // 4) / RATE
        kick = np.sin(2 * np.pi * (52 * t + 6 * (1 - np.exp(-t / 0.03)))) * np.exp(-t / 0.08)
        wave[start : start + len(t)] += 0.7 * kick + 0.2 * rng.normal(size=len(t)) * np.exp(-t / 0.02)
    assert tuning_of(wave).cents == pytest.approx(-7.89, abs=2.0)


@pytest.mark.parametrize("kind", ["silence", "noise", "one sample", "short"])
def test_what_has_no_held_tones_has_no_tuning(kind: str) -> None:
    wave = {
        "silence": np.zeros(RATE * 5), "noise": np.random.default_rng(1).normal(0, 0.1, RATE * 10),
        "one sample": np.ones(1), "short": tone(440.0, 0.1),
    }[kind]  # fmt: skip
    found = tuning_of(wave)
    assert found.cents is None
    assert found.a4_hz is None
    assert found.reason
    assert found.confidence < 0.5


@pytest.mark.parametrize(
    ("pitches", "moves"),
    [
        ((440.0, 440.0, 440.0, 440.0), False),
        ((440.0, 440.0, 447.7, 447.7), True),  # the second half 30 cents up
        ((436.7, 438.9, 441.1, 443.3), True),  # a slow tape: -13 to +13 cents
        ((440.0, 440.5, 441.0, 441.5), False),  # 6 cents in all
        ((452.0, 452.0, 453.5, 453.5), False),  # across half a semitone: 47 and -47 cents
    ],
)
def test_a_tuning_that_moves_within_the_file_is_told_and_no_one_offset_is_sure(
    pitches: tuple[float, ...], moves: bool
) -> None:
    found = tuning_of(np.concatenate([np.tile(progression(a4), 2) for a4 in pitches]))
    assert bool(found.thirds_cents) == moves
    assert (found.confidence >= 0.8) != moves
    if moves:
        first, _, last = found.thirds_cents
        wanted = [1200 * np.log2(a4 / 440) for a4 in (pitches[0], pitches[-1])]
        assert [first, last] == pytest.approx(wanted, abs=4)


@pytest.mark.parametrize(("apart", "told"), [(30, True), (-40, True), (50, True), (0, False), (12, False)])
def test_layers_that_are_out_of_tune_with_each_other_are_told(apart: int, told: bool) -> None:
    """A sample of chords under a synthesiser: no one offset is right."""
    wave = np.tile(progression(440.0), 2) + 0.7 * np.tile(progression(440.0 * 2 ** (apart / 1200)), 2)
    found = tuning_of(wave)
    assert (found.layer_cents is not None) == told
    assert (found.confidence < 0.8) == told
    if found.layer_cents is not None and found.cents is not None:
        assert abs(abs(found.layer_cents - found.cents) - abs(apart)) < 4


def test_partials_that_lie_off_the_scale_are_no_layer() -> None:
    """A bright bass: its 7th, 11th and 13th partials lie 31, 49 and 41 cents off a note (any handbook)."""
    bass = np.concatenate([tone(note_hz(n), 1.0, harmonics=24) for n in (33, 29, 24, 31)] * 3)
    found = tuning_of(bass)
    assert found.cents == pytest.approx(0, abs=2)
    assert found.layer_cents is None


@pytest.mark.parametrize(("wow_cents", "sure"), [(15, True), (20, False)])
def test_a_short_piece_from_a_tape_with_wow_is_sure_while_its_offset_is_right(
    wow_cents: int, sure: bool
) -> None:
    """Four seconds, +27.3 cents; the speed goes up and down 0.6 times a second (rate of a worn capstan)."""
    wave = progression(447.0)[: 4 * RATE]
    t = np.arange(len(wave)) / RATE
    swing_s = wow_cents / 1200 * np.log(2) / (2 * np.pi * 0.6)
    found = tuning_of(np.interp(t + swing_s * np.sin(2 * np.pi * 0.6 * t), t, wave))
    assert found.cents is not None
    assert (abs(found.cents - 27.34) < 6) == sure
    assert (found.confidence >= 0.8) == sure
    assert found.confidence > 0.3
