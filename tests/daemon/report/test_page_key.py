"""What stands below the key: notes of each key, and chords that go beside them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.harmony.note_sets import note_sets
from analyzers.model import Blues, Chord, Key, KeyChange
from daemon.report.card import card
from daemon.report.page_key import key_lines
from daemon.report.pictures import key_picture
from daemon.report.words import key_from, key_line
from tests.daemon.sample_report import BAR_ONE_S, blues_in_a, key_of, sample_analysis, sample_report

BAR_S = 4 * 60 / 140
C_MINOR = ("C", "D", "E flat", "F", "G", "A flat", "B flat")


def c_minor(**changes) -> Key:
    return replace(key_of("C", "minor"), scale=C_MINOR, **changes)


def lines(labels: list[str], key: Key, sure: float = 0.8, confidence: float = 0.9) -> list[str]:
    """The lines, for one chord a bar."""
    chords = tuple(
        Chord(BAR_ONE_S + k * BAR_S, BAR_ONE_S + (k + 1) * BAR_S, label, confidence)
        for k, label in enumerate(labels)
    )
    view = sample_report(sample_analysis(chords=chords, key=key)).in_session()
    return [" ".join(part for part in line if part) for line in key_lines(view, sure)]


def test_a_chord_beside_the_notes_is_named_with_its_bars() -> None:
    """G7 in C minor has the raised seventh, B: Kostka and Payne, "Tonal Harmony" (from memory)."""
    told = lines(["Cm", "Ab", "Fm", "G7"] * 2, c_minor())
    assert told == [
        "Notes: C, D, E flat, F, G, A flat, B flat",
        "G7 (bars 4, 8) has B, which is not in these notes",
    ]
    sharp = replace(key_of("F sharp", "minor"), scale=())
    assert lines(["F#m", "C#7"], sharp)[1].startswith("C#7 (bar 2) has E sharp, which is not in these notes")


def test_two_such_chords_at_most_the_longest_first_and_only_sure_ones() -> None:
    told = lines(["Cm", "G7", "D7", "D7", "A7"] * 4, c_minor())
    assert [line.split()[0] for line in told[1:]] == ["D7", "G7"]
    assert told[1].startswith("D7 (bars 3, 4, 8, 9, 13, 14 and 2 more) has F sharp and A, which are not")
    assert len(lines(["Cm", "G7"], c_minor(), confidence=0.7)) == 1


def test_each_key_has_its_own_notes_and_chords_are_judged_by_the_key_where_they_stand() -> None:
    change = KeyChange(BAR_ONE_S + 2 * BAR_S, "C", "major", 0.93)
    told = lines(["Cm", "Fm", "G7", "C"], c_minor(changes=(change,)))
    at = f"{2 * BAR_S:.2f} s"
    assert told == [
        "Notes: C, D, E flat, F, G, A flat, B flat",
        f"changes to C major at bar 3 ({at}), 93 % sure; notes: C, D, E, F, G, A, B",
    ]
    doubtful = replace(change, key_confidence=0.7)
    told = lines(["Cm", "Fm", "G7", "C"], c_minor(changes=(doubtful,)))
    how = "93 % sure, of the key 70 %; notes of C major, once it is checked: C, D, E, F, G, A, B"
    assert told[1] == f"changes to C major at bar 3 ({at}), {how}"


def test_the_notes_of_a_key_that_begins_late_hold_from_its_bar_on() -> None:
    begin = KeyChange(BAR_ONE_S + BAR_S, "C", "minor", 0.9, 0.9)
    change = KeyChange(BAR_ONE_S + 2 * BAR_S, "C", "major", 0.93)
    told = lines(["Db", "Fm", "G7", "C"], c_minor(changes=(begin, change)))
    assert told[0] == (
        f"Notes from bar 2 ({BAR_S:.2f} s) on, chromatic before: C, D, E flat, F, G, A flat, B flat"
    )
    assert told[1].startswith("changes to C major at bar 3")
    assert len(told) == 2
    view = sample_report(sample_analysis(key=c_minor(changes=(begin, change)))).in_session()
    assert key_from(view.key, view.grid) == [f"from bar 2 ({BAR_S:.2f} s) on, no key before it"]
    assert key_line(view.key) == "C minor, then C major"
    assert key_from(c_minor(changes=(change,)), view.grid) == []


@pytest.mark.parametrize("tonic", ["C", None])
def test_notes_of_a_doubtful_key_are_to_be_checked_first(tonic: str | None) -> None:
    key = c_minor() if tonic else replace(c_minor(), tonic=None, mode=None)
    told = lines(["Cm", "G7"], key, sure=0.95)
    assert told == (
        ["Notes of C minor, once it is checked: C, D, E flat, F, G, A flat, B flat"] if tonic else []
    )


def test_a_blues_is_said_with_its_form_and_its_own_notes() -> None:
    """Both thirds and the lowered fifth; of E7 only the raised seventh is beside them (common practice)."""
    told = lines(["A7", "D7", "E7", "A7"], blues_in_a(BAR_ONE_S + 4 * BAR_S))
    assert told == [
        f"blues in A by its form: 12 bars, the first chorus at bar 5 ({4 * BAR_S:.2f} s), 93 % sure",
        "Notes: A, B, C, C sharp, D, E flat, E, F sharp, G",
        "A blues bends third, fifth and seventh: correct them slowly or not at all.",
        "E7 (bar 3) has G sharp, which is not in these notes",
    ]


def test_a_blues_set_by_hand_says_so() -> None:
    told = lines(["A7", "D7"], replace(blues_in_a(), blues=Blues("A", False, 0, 0.0, 1.0)))
    assert told[0] == "blues in A as it was set by hand"
    assert "Notes: A, B, C, C sharp, D, E flat, E, F sharp, G" in told


def test_every_note_of_the_chart_is_said_that_of_a_doubtful_chord_as_perhaps() -> None:
    """The bars of the chart name G7 and D7, so B and F sharp are sung over them, whoever is right."""
    told = lines(["Cm", "Fm", "G7"], c_minor(), confidence=0.7)
    assert told == ["Notes: C, D, E flat, F, G, A flat, B flat; the chords perhaps also sound B"]
    told = lines(["Cm", "G7", "D7", "D7", "A7"] * 4, c_minor())
    assert told[0].endswith("B flat; the chords also sound C sharp, E")


def test_a_note_is_spelled_in_the_picture_as_in_the_words() -> None:
    """C7 in E flat major has E: its third letter (any handbook), not F flat."""
    chords = tuple(Chord(BAR_ONE_S + k * BAR_S, BAR_ONE_S + (k + 1) * BAR_S, "C7", 0.9) for k in range(4))
    key = replace(key_of("E flat", "major"), scale=("E flat", "F", "G", "A flat", "B flat", "C", "D"))
    view = sample_report(sample_analysis(chords=chords, key=key)).in_session()
    assert "has E, which" in key_lines(view, 0.8)[1].before
    picture = key_picture(view)
    assert picture is not None
    shown = {word.text for word in picture.words}
    assert "E" in shown
    assert "Fb" not in shown


def test_a_note_whose_key_has_another_name_is_named_by_it_too() -> None:
    """Buttons of pitch correction are those of a keyboard: of C flat, E flat minor's sixth, they know B."""
    assert lines(["Abm7"], key_of())[0].endswith("C flat, D flat (on a keyboard C flat is B)")
    first, second = lines(["G#m", "D#7"], key_of("G sharp", "minor"))
    assert "on a keyboard" not in first
    assert second.endswith("not in these notes (on a keyboard F double sharp is G)")

    chords = (Chord(BAR_ONE_S, BAR_ONE_S + BAR_S, "D#7", 0.9),)
    report = sample_report(sample_analysis(key=key_of("G sharp", "minor"), chords=chords))
    text = card(report, note_sets(report.in_session(), 0.8), 0.8)
    assert "    the chords also sound F##\n    on a keyboard F## is G\n" in text
    assert text.count("on a keyboard") == 1
