"""Spelling against a handbook table and against music21 (an independent music theory library)."""

from __future__ import annotations

import pytest
from music21 import chord as m21chord
from music21 import harmony as m21harmony
from music21 import key as m21key
from music21 import scale as m21scale

from analyzers.harmony.spelling import (
    CHORD_SUFFIXES,
    SCALES,
    chord_label,
    first_fifth,
    note_name,
    parse_chord,
    pitch_class_of,
    scale_names,
    short_name,
    signature,
    tonic_beside,
    tonic_name,
    written_tonic,
)
from analyzers.harmony.voicing import QUALITIES

# Key signatures and scales: any theory handbook (circle of fifths); minor is natural.
HANDBOOK = """
-6 | | | E flat minor | Eb F Gb Ab Bb Cb Db
-5 | D flat major | Db Eb F Gb Ab Bb C | B flat minor | Bb C Db Eb F Gb Ab
-4 | A flat major | Ab Bb C Db Eb F G | F minor | F G Ab Bb C Db Eb
-3 | E flat major | Eb F G Ab Bb C D | C minor | C D Eb F G Ab Bb
-2 | B flat major | Bb C D Eb F G A | G minor | G A Bb C D Eb F
-1 | F major | F G A Bb C D E | D minor | D E F G A Bb C
0 | C major | C D E F G A B | A minor | A B C D E F G
1 | G major | G A B C D E F# | E minor | E F# G A B C D
2 | D major | D E F# G A B C# | B minor | B C# D E F# G A
3 | A major | A B C# D E F# G# | F sharp minor | F# G# A B C# D E
4 | E major | E F# G# A B C# D# | C sharp minor | C# D# E F# G# A B
5 | B major | B C# D# E F# G# A# | G sharp minor | G# A# B C# D# E F#
6 | F sharp major | F# G# A# B C# D# E# | |
"""
# raised seventh of the harmonic minor, same handbooks
RAISED_SEVENTH = {
    "E flat": "D",
    "B flat": "A",
    "F": "E",
    "C": "B",
    "G": "F sharp",
    "D": "C sharp",
    "A": "G sharp",
    "E": "D sharp",
    "B": "A sharp",
    "F sharp": "E sharp",
    "C sharp": "B sharp",
    "G sharp": "F double sharp",
}


def rows() -> list[tuple[int, str, str]]:
    out = []
    for line in HANDBOOK.strip().splitlines():
        sf, *cells = (c.strip() for c in line.split("|"))
        out += [(int(sf), key, notes) for key, notes in zip(cells[::2], cells[1::2], strict=True) if key]
    return out


def short(name: str) -> str:
    return name.replace(" double sharp", "##").replace(" sharp", "#").replace(" flat", "b")


@pytest.mark.parametrize(("sf", "key", "notes"), rows())
def test_every_usual_key_has_the_handbook_signature_and_scale(sf: int, key: str, notes: str) -> None:
    tonic, mode = key.rsplit(" ", 1)
    pc = pitch_class_of(tonic)
    assert tonic_name(pc, mode) == tonic
    assert signature(tonic_name(pc, mode), mode) == sf
    assert " ".join(short(n) for n in scale_names(tonic_name(pc, mode), mode)) == notes


@pytest.mark.parametrize(("tonic", "seventh"), RAISED_SEVENTH.items())
def test_harmonic_minor_raises_the_seventh_without_changing_its_letter(tonic: str, seventh: str) -> None:
    assert scale_names(tonic, "harmonic minor")[6] == seventh


def test_the_handbook_table_covers_all_24_keys() -> None:
    assert len({(pitch_class_of(k.rsplit(" ", 1)[0]), k.rsplit(" ", 1)[1]) for _, k, _ in rows()}) == 24


@pytest.mark.parametrize("pc", range(12))
@pytest.mark.parametrize("mode", ["major", "minor", "dorian", "phrygian", "mixolydian", "harmonic minor"])
def test_scales_and_signatures_agree_with_music21(pc: int, mode: str) -> None:
    ours = [short(n).replace("b", "-") for n in scale_names(tonic_name(pc, mode), mode)]
    made = {
        "major": m21scale.MajorScale,
        "minor": m21scale.MinorScale,
        "dorian": m21scale.DorianScale,
        "phrygian": m21scale.PhrygianScale,
        "mixolydian": m21scale.MixolydianScale,
        "harmonic minor": m21scale.HarmonicMinorScale,
    }[mode](ours[0])
    assert ours == [p.name for p in made.getPitches(ours[0] + "4", ours[0] + "5")][:7]
    plain = "minor" if mode == "harmonic minor" else mode
    assert signature(tonic_name(pc, mode), mode) == m21key.Key(ours[0], plain).sharps


@pytest.mark.parametrize("pc", range(12))
@pytest.mark.parametrize("mode", list(SCALES))
def test_no_key_is_written_with_more_than_six_accidentals(pc: int, mode: str) -> None:
    assert abs(signature(tonic_name(pc, mode), mode)) <= 6
    assert len({n[0] for n in scale_names(tonic_name(pc, mode), mode)}) == 7


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("marks", range(-7, 8))
def test_every_signature_has_its_key_and_scale_and_no_other_spelling_has(marks: int, mode: str) -> None:
    """All fifteen signatures, as music21 has them; beyond seven the key is written as usual."""
    key = m21key.KeySignature(marks).asKey(mode)
    spelled = [p.name.replace("-", " flat").replace("#", " sharp") for p in key.pitches[:7]]
    assert (signature(spelled[0], mode), scale_names(spelled[0], mode)) == (marks, tuple(spelled))
    assert written_tonic(spelled[0], mode) == spelled[0]
    usual = tonic_name(pitch_class_of(spelled[0]), mode)
    for far in ("E sharp", "F flat", "B sharp"):
        if pitch_class_of(far) == pitch_class_of(usual) and abs(signature(far, mode)) > 7:
            assert written_tonic(far, mode) == usual


def test_six_accidentals_follow_the_studio() -> None:
    assert tonic_name(3, "minor") == "E flat"  # common practice, not D sharp minor
    assert tonic_name(6, "major") == "F sharp"


@pytest.mark.parametrize("quality", list(CHORD_SUFFIXES))
def test_chord_labels_name_the_notes_that_music21_hears(quality: str) -> None:
    for root in range(12):
        figure = chord_label(root, quality).replace("b", "-").replace("maj7", "M7")
        heard = {p.pitchClass for p in m21harmony.ChordSymbol(figure).pitches}
        assert heard == {(root + s) % 12 for s in QUALITIES[quality]}


def test_music21_names_our_triads_alike() -> None:
    for quality, name in (("maj", "major triad"), ("min", "minor triad"), ("dim", "diminished triad")):
        assert m21chord.Chord([60 + s for s in QUALITIES[quality]]).commonName == name


@pytest.mark.parametrize(("sf", "minor"), [(-6, True), (0, False), (0, True), (6, False)])
def test_labels_are_read_back(sf: int, minor: bool) -> None:
    for root in range(12):
        for quality in CHORD_SUFFIXES:
            assert parse_chord(chord_label(root, quality, sf, minor)) == (root, quality)


@pytest.mark.parametrize(
    ("root", "quality", "sf", "minor", "label"),
    [
        (10, "min7", -6, True, "Bbm7"),
        (3, "min", -6, True, "Ebm"),
        (11, "maj", -6, True, "Cb"),
        (6, "maj", 2, False, "F#"),
        (8, "7", 0, True, "G#7"),
        (8, "maj", 0, False, "Ab"),
        (1, "maj7", -4, False, "Dbmaj7"),
        (4, "7", 0, True, "E7"),
    ],
)
def test_roots_are_spelled_as_the_key_would(
    root: int, quality: str, sf: int, minor: bool, label: str
) -> None:
    assert chord_label(root, quality, sf, minor) == label


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("pc", range(12))
def test_a_relative_key_is_written_in_the_notes_of_its_own(pc: int, mode: str) -> None:
    """music21 gives the relative of a spelled key in the same signature: G flat major of E flat minor."""
    tonic, other = tonic_name(pc, mode), "minor" if mode == "major" else "major"
    name = tonic.replace(" sharp", "#").replace(" flat", "-")
    relative = m21key.Key(name if mode == "major" else name.lower()).relative

    beside = tonic_beside(relative.tonic.pitchClass, other, tonic, mode)

    assert beside.replace(" sharp", "#").replace(" flat", "-") == relative.tonic.name
    assert beside in scale_names(tonic_name(pc, mode), mode)


def test_a_key_with_other_notes_is_written_as_usual() -> None:
    assert tonic_beside(6, "minor", "E flat", "minor") == "F sharp"
    assert tonic_beside(6, "major", "E flat", "harmonic minor") == "G flat"
    assert tonic_beside(9, "minor", "D", "dorian") == "A"


def test_notes_and_chords_of_a_key_have_one_spelling() -> None:
    """The leading note of D minor is C sharp, in its dominant as in a list of notes (any handbook)."""
    assert note_name(1, first_fifth("D", "minor")) == "C sharp"
    for pc in range(12):
        for sf, tonic, mode in ((-1, "D", "minor"), (-6, "E flat", "minor"), (6, "F sharp", "major")):
            label = chord_label(pc, "maj", sf, mode == "minor")
            assert label == short_name(note_name(pc, first_fifth(tonic, mode)))


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("pc", range(12))
def test_no_root_needs_a_double_flat_and_the_scale_keeps_its_own_notes(pc: int, mode: str) -> None:
    """A lead sheet in D flat major writes D, not E double flat (common practice)."""
    first = first_fifth(tonic_name(pc, mode), mode)
    names = [note_name(root, first) for root in range(12)]
    assert not [name for name in names if "double flat" in name]
    assert set(scale_names(tonic_name(pc, mode), mode)) <= set(names)


def test_no_chord_is_read_as_none() -> None:
    assert parse_chord("N") is None
