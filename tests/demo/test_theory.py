"""Scales and chords against an outside reference: music21's scale and harmony modules."""

import numpy as np
import pytest

from demo.theory import LOOPS, QUALITIES, SCALES, Chord, chord_label, diatonic, draw_loop, key_name

CLASS_OF = {
    "major": "MajorScale",
    "minor": "MinorScale",
    "dorian": "DorianScale",
    "phrygian": "PhrygianScale",
    "mixolydian": "MixolydianScale",
    "harmonic minor": "HarmonicMinorScale",
}
FIGURE_OF = {"aug": "+"}  # where music21 writes a quality otherwise


@pytest.mark.parametrize("mode", list(SCALES))
@pytest.mark.parametrize("tonic", [0, 3, 6, 10])
def test_scales_match_music21(mode, tonic):
    from music21 import pitch, scale

    pitches = getattr(scale, CLASS_OF[mode])(pitch.Pitch(tonic)).getPitches()
    assert {(tonic + step) % 12 for step in SCALES[mode]} == {p.pitchClass for p in pitches}


@pytest.mark.parametrize("quality", list(QUALITIES))
def test_chord_spellings_match_music21(quality):
    from music21 import harmony

    assert set(Chord(2, quality).tones) == {
        p.pitchClass for p in harmony.ChordSymbol("D" + FIGURE_OF.get(quality, quality)).pitches
    }


@pytest.mark.parametrize(("tonic", "mode", "name"), [
    (3, "minor", "E flat"), (1, "minor", "C sharp"), (8, "minor", "G sharp"), (8, "major", "A flat"),
    (1, "major", "D flat"), (10, "dorian", "B flat"), (6, "mixolydian", "F sharp"),
])  # fmt: skip
def test_keys_are_spelled_as_in_the_circle_of_fifths(tonic, mode, name):
    """Source: any circle-of-fifths table, the signature with the fewer accidentals (common practice)."""
    assert key_name(tonic, mode) == name


def test_degrees_give_the_handbook_chords():
    """Diatonic sevenths of C major and A minor: Kostka & Payne, Tonal Harmony (from memory)."""
    c_major = [chord_label(diatonic(0, "major", str(k), True), 0, "major") for k in range(1, 7)]
    assert c_major == ["Cmaj7", "Dm7", "Em7", "Fmaj7", "G7", "Am7"]
    a_minor = [chord_label(diatonic(9, "minor", str(k)), 9, "minor") for k in range(1, 8)]
    assert a_minor == ["Am", "Bdim", "C", "Dm", "Em", "F", "G"]
    assert chord_label(diatonic(9, "minor", "5:7"), 9, "minor") == "E7"
    assert chord_label(diatonic(0, "major", "b7"), 0, "major") == "Bb"
    assert chord_label(diatonic(7, "mixolydian", "7"), 7, "mixolydian") == "F"


@pytest.mark.parametrize("mode", list(LOOPS))
def test_every_loop_is_playable_and_a_free_one_visits_the_tonic(mode):
    for loop in LOOPS[mode]:
        assert all(diatonic(5, mode, token).quality in QUALITIES for token in loop.split())
    for seed in range(50):
        drawn = draw_loop(np.random.default_rng(seed), mode)
        assert " ".join(drawn) in LOOPS[mode] or "1" in drawn
