"""Partials and notes of tones whose frequency is known (equal temperament, ISO 16)."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from analyzers.signal.spectrum import (
    BANDS,
    FRAME_RATE_HZ,
    LOWEST_NOTE,
    NOTES,
    Spectrum,
    midi_note,
    note_hz,
)

RATE = 44100


def sine(hz: float, seconds: float = 3.0, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return (0.5 * np.sin(2 * np.pi * hz * t)).astype(np.float32)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_notes_and_frequencies_are_exactly_those_of_librosa(kind: type) -> None:
    """Reference: librosa's `hz_to_midi` and `midi_to_hz`, to the last bit."""
    hz = np.geomspace(20.0, 20_000.0, 4001).astype(kind)

    assert midi_note(hz).dtype == librosa.hz_to_midi(hz).dtype
    assert np.array_equal(midi_note(hz), librosa.hz_to_midi(hz))
    notes = np.linspace(0.0, 127.0, 1271)
    assert [note_hz(float(note)) for note in notes] == [float(librosa.midi_to_hz(note)) for note in notes]


@pytest.mark.parametrize("note", [50, 57, 69, 76, 88, 96])
@pytest.mark.parametrize("cents", [-30, 0, 17])
def test_a_steady_tone_is_placed_to_two_cents(note: int, cents: int) -> None:
    s = Spectrum(sine(note_hz(note + cents / 100)), RATE)
    middle = (s.treble.frame > 8) & (s.treble.frame < s.frames - 8)
    loud = middle & (s.treble.magnitude > 0.25)
    off = 1200 * np.log2(s.treble.hz[loud] / note_hz(note)) - cents
    assert np.abs(off).max() < 2.0
    assert s.treble.magnitude[loud] == pytest.approx(0.5, rel=0.05)


@pytest.mark.parametrize("note", [28, 33, 40, 47])
def test_bass_tones_fall_on_their_semitone(note: int) -> None:
    notes = Spectrum(sine(note_hz(note)), RATE).notes(0.0)
    assert int(np.argmax(notes.sum(axis=0))) + LOWEST_NOTE == note


def test_notes_follow_the_tuning() -> None:
    s = Spectrum(sine(note_hz(69.4)), RATE)
    in_tune, flat = s.notes(40.0).sum(axis=0), s.notes(0.0).sum(axis=0)
    assert in_tune[69 - LOWEST_NOTE] > 3 * flat[69 - LOWEST_NOTE]


def test_frames_are_centred_on_their_time() -> None:
    wave = np.concatenate((np.zeros(2 * RATE, np.float32), sine(440.0, 2.0)))
    level = Spectrum(wave, RATE).notes(0.0)[:, 69 - LOWEST_NOTE]
    start = np.argmax(level > 0.5 * level.max()) / FRAME_RATE_HZ
    assert start == pytest.approx(2.0, abs=1.5 / FRAME_RATE_HZ)


def test_a_short_blip_leaves_less_in_the_steady_picture_than_a_held_tone() -> None:
    wave = sine(440.0, 4.0) * 0.1
    blip = sine(659.2551, 0.1)
    wave[2 * RATE : 2 * RATE + len(blip)] += blip
    s = Spectrum(wave, RATE)
    plain, steady = s.notes(0.0), s.steady_notes(0.0)
    held, short = 69 - LOWEST_NOTE, 76 - LOWEST_NOTE
    assert steady[:, held].sum() > 0.95 * plain[:, held].sum()
    assert steady[:, short].sum() < 0.85 * plain[:, short].sum()


@pytest.mark.parametrize("frames", [0, 1, 10, 5000])
def test_short_and_silent_signals_give_finite_pictures(frames: int) -> None:
    s = Spectrum(np.zeros(max(frames, 1), np.float32), RATE)
    assert s.notes(0.0).shape == (s.frames, NOTES)
    assert not s.steady_notes(0.0).any()
    assert s.bands_db.shape == (s.frames, BANDS)
    assert np.all(np.isfinite(s.bands_db))


@pytest.mark.parametrize("rate", [22050, 48000, 96000])
def test_band_levels_do_not_depend_on_the_rate(rate: int) -> None:
    levels = [Spectrum(sine(1000.0, 3.0, r), r).bands_db[10:20].mean(axis=0) for r in (RATE, rate)]
    loud = int(np.argmax(levels[0]))
    assert int(np.argmax(levels[1])) == loud
    assert levels[1][loud] == pytest.approx(levels[0][loud], abs=0.5)
