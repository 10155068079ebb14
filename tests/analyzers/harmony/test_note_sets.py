"""Note sets for pitch correction: scales as in any handbook, changed where the key changes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.harmony.note_sets import chords_beside, key_sets, note_names, note_sets
from analyzers.harmony.spelling import (
    chord_label,
    pitch_class_of,
    scale_names,
    short_name,
    signature,
    tonic_name,
)
from analyzers.model import KeyCandidate, KeyChange, Section
from tests.daemon.export.score_kit import analysis, key, steady

HALF = (Section(1.25, 9.25, "A", 1, 0.9), Section(9.25, 40.0, "B", 5, 0.9))


def sets(chords=(), *, k=None, sections=HALF):
    held = [(a, b, label) for a, b, label in chords]
    return note_sets(analysis(steady(), held, k=k, sections=sections), 0.8)


def test_one_for_each_section_in_the_notes_of_the_key():
    found = sets()
    assert [(s.start_s, s.letter, s.key) for s in found] == [
        (1.25, "A", "E flat minor"),
        (9.25, "B", "E flat minor"),
    ]
    assert found[0].notes == ("E flat", "F", "G flat", "A flat", "B flat", "C flat", "D flat")


def test_it_changes_at_the_bar_where_the_key_does():
    changed = key("G", "major", (KeyChange(17.25, "A flat", "major", 0.9),))
    found = sets(k=changed)
    assert [(s.start_s, s.key) for s in found] == [
        (1.25, "G major"),
        (9.25, "G major"),
        (17.25, "A flat major"),
    ]
    assert found[1].notes == ("G", "A", "B", "C", "D", "E", "F sharp")
    assert found[2].notes == ("A flat", "B flat", "C", "D flat", "E flat", "F", "G")
    assert found[2].letter == "B"


def test_before_the_key_begins_nothing_but_chromatic_is_safe_and_no_chord_is_beside_it():
    """A change to the key itself: what comes before it has none."""
    late = key("G", "major", (KeyChange(9.25, "G", "major", 0.9),))
    found = sets([(1.25, 5.25, "Eb"), (13.25, 17.25, "Eb")], k=late)
    assert [(s.start_s, s.key, s.notes[:1]) for s in found] == [(1.25, None, ()), (9.25, "G major", ("G",))]
    assert (found[0].beside, found[1].beside) == ((), ("E flat", "B flat"))
    [chord] = chords_beside(analysis(steady(), [(1.25, 5.25, "Eb"), (13.25, 17.25, "Eb")], k=late), 0.8)
    assert chord.spans_s == ((13.25, 17.25),)


def test_a_modal_key_has_the_notes_of_its_mode():
    """D dorian: the white keys from D; G mixolydian those from G."""
    assert sets(k=key("D", "dorian"))[0].notes == ("D", "E", "F", "G", "A", "B", "C")
    to_mixolydian = key("D", "dorian", (KeyChange(9.25, "D", "mixolydian", 0.9),))
    assert sets(k=to_mixolydian)[1].notes == ("D", "E", "F sharp", "G", "A", "B", "C")


def test_what_the_notes_favour_beside_the_scale_may_be_sung():
    """G7 charted as Gm in C minor: its third is heard, though; not in a later key, which has no profile."""
    profile = [0.1, 0.01, 0.1, 0.1, 0.01, 0.1, 0.01, 0.2, 0.1, 0.01, 0.06, 0.07]
    later = (KeyChange(9.25, "D", "minor", 0.9),)
    found = sets(k=replace(key("C", "minor", later), profile=tuple(profile)))
    assert [(s.beside, s.perhaps) for s in found] == [((), ("B",)), ((), ())]
    profile[11] = 0.05
    assert sets(k=replace(key("C", "minor"), profile=tuple(profile)))[0].perhaps == ()


@pytest.mark.parametrize(("mode", "unheard", "perhaps"), [
    ("minor", ("A flat",), ("A",)), ("dorian", ("A",), ("A flat",)),
    ("minor", ("A flat", "B flat"), ("A", "B")),
    ("minor", (), ()), ("phrygian", ("A flat",), ()),
])  # fmt: skip
def test_of_a_sixth_or_seventh_that_never_sounds_the_other_form_may_be_sung(mode, unheard, perhaps):
    later = (KeyChange(9.25, "D", "minor", 0.9),)
    found = sets(k=replace(key("C", mode, later), unheard=unheard))
    assert [s.perhaps for s in found] == [perhaps, ()]


def test_both_sevenths_are_usual_in_harmonic_minor():
    """Kostka and Payne, "Tonal Harmony" (from memory)."""
    assert sets(k=key("A", "harmonic minor"))[0].perhaps == ("G",)
    sounding = sets([(1.25, 3.25, "G")], k=key("A", "harmonic minor"))[0]
    assert (sounding.beside, sounding.perhaps) == (("G",), ())


def test_the_raised_seventh_of_a_dominant_stands_beside_the_scale():
    """A minor with E major: G sharp is sung over it; never spelled A flat there."""
    found = sets([(1.25, 3.25, "Am"), (3.25, 5.25, "E7"), (9.25, 11.25, "Am")], k=key("A", "minor"))
    assert [s.beside for s in found] == [("G sharp",), ()]
    flat = sets([(1.25, 3.25, "Bb")], k=key("E flat", "minor"))
    assert flat[0].beside == ("D",)


def test_a_chord_that_is_short_or_not_sure_adds_nothing():
    assert sets([(1.25, 1.5, "E")], k=key("A", "minor"))[0].beside == ()
    unsure = analysis(steady(), [(1.25, 5.25, "E")], k=key("A", "minor"), sections=HALF)
    assert note_sets(unsure, 0.85)[0].beside == ()  # chords of the kit are 0.8 sure


def test_without_a_sure_key_nothing_but_chromatic_is_safe():
    assert sets(k=key(None, None))[0].key is None
    assert sets(k=key(None, None))[0].notes == ()
    doubtful = analysis(steady(), [], k=key("C", "major"), sections=HALF)
    found = note_sets(doubtful, 0.95)  # the kit's keys are 0.9 sure
    assert (found[0].key, found[0].notes) == ("C major", ())


def test_the_notes_are_as_sure_as_all_keys_that_have_them_together():
    """Relative keys share their notes (any handbook): which of them it is does not matter to the set."""
    doubtful = replace(
        key("C", "minor"),
        confidence=0.5,
        alternatives=(KeyCandidate("C", "minor", 0.5), KeyCandidate("E flat", "major", 0.35)),
    )
    [found] = sets(k=doubtful, sections=())
    assert (found.key, found.notes) == (
        "C minor or E flat major",
        ("C", "D", "E flat", "F", "G", "A flat", "B flat"),
    )
    other = replace(doubtful, alternatives=(KeyCandidate("C", "minor", 0.5), KeyCandidate("G", "minor", 0.4)))
    raised = replace(doubtful, mode="harmonic minor")
    for chromatic in (other, raised):
        assert sets(k=chromatic, sections=())[0].notes == ()


def test_after_a_change_the_notes_are_as_sure_as_the_key_there_not_as_the_change():
    doubtful = KeyChange(9.25, "B", "minor", 0.97, 0.6, (KeyCandidate("B", "minor", 0.6),))
    relative = replace(doubtful, alternatives=(KeyCandidate("D", "major", 0.3),))
    old_report = KeyChange(9.25, "B", "minor", 0.97)
    for change, name, notes in (
        (doubtful, "B minor", 0),
        (relative, "B minor or D major", 7),
        (old_report, "B minor", 7),
    ):
        first, later = sets(k=key("C", "minor", (change,)))
        assert (first.key, len(first.notes)) == ("C minor", 7)
        assert (later.key, len(later.notes)) == (name, notes)


def test_without_sections_there_is_still_one():
    assert [s.start_s for s in sets(sections=())] == [0.0]


def test_a_chord_beside_the_scale_is_spelled_from_its_root():
    """Thirds and sevenths are written on the third and seventh letter: any handbook of harmony."""
    held = [(1.25, 3.25, "D7"), (3.25, 5.25, "G7"), (5.25, 7.25, "Cm"), (7.25, 7.5, "E"), (9.25, 11.25, "D7")]
    found = chords_beside(analysis(steady(), held, k=key("C", "minor"), sections=HALF), 0.8)
    assert [(c.label, c.notes, c.spans_s) for c in found] == [
        ("D7", ("F sharp", "A"), ((1.25, 3.25), (9.25, 11.25))),
        ("G7", ("B",), ((3.25, 5.25),)),
    ]
    flats = [(1.25, 3.25, "Cbdim"), (3.25, 5.25, "C#7")]
    found = chords_beside(analysis(steady(), flats, k=key("F sharp", "minor"), sections=HALF), 0.8)
    assert ("C#7", ("E sharp",)) in [(c.label, c.notes) for c in found]
    assert chords_beside(analysis(steady(), held, k=key("C", "minor"), sections=HALF), 0.85) == ()


def test_a_chord_beside_the_scale_that_is_sure_once_is_named_wherever_it_was_heard():
    found = analysis(
        steady(), [(1.25, 3.25, "G7"), (5.25, 7.25, "G7"), (9.25, 11.25, "D7")], k=key("C", "minor")
    )
    first, again, other = found.chords
    doubted = replace(again, confidence=0.3), replace(other, confidence=0.3)
    (beside,) = chords_beside(replace(found, chords=(first, *doubted)), 0.8)
    assert (beside.label, beside.spans_s) == ("G7", ((1.25, 3.25), (5.25, 7.25)))


@pytest.mark.parametrize(
    ("tonic", "mode", "chord", "note"),
    [
        ("E flat", "major", "C7", "E"),
        ("B flat", "major", "G7", "B"),
        ("C", "minor", "D7", "F sharp"),
        ("C", "major", "E7", "G sharp"),
        ("C", "major", "Fm", "A flat"),
        ("F sharp", "minor", "C#7", "E sharp"),
    ],
)
def test_a_note_has_one_name_in_a_key_that_of_the_chord_it_sounds_in(
    tonic: str, mode: str, chord: str, note: str
) -> None:
    """A third is written on the third letter from its root (any handbook of harmony)."""
    heard = analysis(steady(), [(1.25, 5.25, chord)], k=key(tonic, mode), sections=HALF)
    assert note in note_sets(heard, 0.8)[0].beside
    [beside] = chords_beside(heard, 0.8)
    assert note in beside.notes
    names = note_names(heard, tonic, mode)
    assert names[pitch_class_of(note)] == note
    assert set(scale_names(tonic, mode)) <= set(names.values())


def test_of_two_spellings_the_one_that_sounds_longer_is_taken() -> None:
    both = [(1.25, 3.25, "E7"), (3.25, 7.25, "Fm")]
    heard = analysis(steady(), both, k=key("C", "major"), sections=HALF)
    assert {n for c in chords_beside(heard, 0.8) for n in c.notes} == {"A flat"}
    flats = analysis(steady(), [(1.25, 3.25, "Cb7")], k=key("E flat", "minor"), sections=HALF)
    assert (note_sets(flats, 0.8)[0].beside, chords_beside(flats, 0.8)[0].notes) == (("A",), ("A",))


@pytest.mark.parametrize("pc", range(12))
@pytest.mark.parametrize("mode", ["major", "minor"])
def test_what_no_chord_sounds_is_named_as_a_chord_on_it(pc: int, mode: str) -> None:
    tonic = tonic_name(pc, mode)
    names = note_names(analysis(steady(), [], k=key(tonic, mode)), tonic, mode)
    for note, name in names.items():
        assert chord_label(note, "maj", signature(tonic, mode), mode == "minor") == short_name(name)


def test_each_key_of_a_song_names_its_own_notes() -> None:
    changed = key("C", "minor", (KeyChange(9.25, "E flat", "minor", 0.9),))
    heard = analysis(steady(), [(1.25, 5.25, "D7"), (9.25, 13.25, "Ebm7")], k=changed, sections=HALF)
    assert note_names(heard, "C", "minor")[6] == "F sharp"
    assert note_names(heard, "E flat", "minor")[6] == "G flat"


def test_what_only_a_doubtful_or_short_chord_sounds_is_there_as_perhaps() -> None:
    """Pitch correction must not pull away a note that the chart of the chords names."""
    held = [
        (0.25, 1.25, "Bb"),
        (1.25, 3.25, "Am"),
        (3.25, 5.25, "E"),
        (9.25, 9.65, "F#dim"),
        (9.65, 13.25, "E"),
    ]
    found = analysis(steady(), held, k=key("A", "minor"), sections=HALF)
    doubted = tuple(replace(c, confidence=0.4) if c.start_s == 3.25 else c for c in found.chords)
    told = [(s.beside, s.perhaps) for s in note_sets(replace(found, chords=doubted), 0.8)]
    assert told == [(("B flat",), ("G sharp",)), (("G sharp",), ("F sharp",))]
    [whole] = key_sets(replace(found, chords=doubted), 0.8)
    assert (whole.beside, whole.perhaps) == (("G sharp", "B flat"), ("F sharp",))
