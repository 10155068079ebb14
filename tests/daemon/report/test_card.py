"""The card: short lines, the first one enough, bars and seconds of the session."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from analyzers.harmony.note_sets import note_sets
from analyzers.model import BeatRestart, Chord, Flag, KeyCandidate, KeyChange, Section, Tuning
from config.settings import Settings
from daemon.core.names import ears_words
from daemon.corrections.apply import Correction
from daemon.export.guide import set_words
from daemon.report.card import WIDTH, card
from daemon.report.page_glance import glance
from daemon.report.page_key import key_lines
from daemon.report.report import Report
from tests.daemon.sample_report import (
    BAR_ONE_S,
    blues_in_a,
    key_of,
    moving_grid,
    no_steady_beat,
    sample_analysis,
    sample_report,
    sample_source,
    steady_grid,
)

BAR_S = 4 * 60 / 140


def text_of(report: Report) -> str:
    return card(report, note_sets(report.in_session(), 0.8), 0.8)


def test_the_first_line_is_enough():
    first = text_of(sample_report()).splitlines()[0]
    assert first == "amber-lane.wav: 140 BPM, E flat minor, song starts at bar 1"
    assert sample_report().summary()["line"] == first


def test_the_first_line_says_what_needs_ears_and_a_change_of_key():
    analysis = sample_analysis(
        key=replace(key_of(confidence=0.6), changes=(KeyChange(BAR_ONE_S + 8 * BAR_S, "F", "minor", 0.7),))
    )
    report = sample_report(analysis)
    first = text_of(report).splitlines()[0]
    assert ", E flat minor, then F minor, " in first
    assert first.endswith(", check key by ear")
    assert len(report.check_by_ear) == 2
    faulty = sample_analysis(
        key=key_of(confidence=0.6), flags=(Flag("clipping", "warning", "Clipped.", "Ask for another."),)
    )
    report = sample_report(faulty)
    assert text_of(report).splitlines()[0].endswith(", check key, clipped by ear")
    assert ears_words(report.summary()) == "check key, clipped by ear"
    assert ears_words({"needs_ears": 2}) == "check 2 by ear"  # of an older record
    assert ears_words({"needs_ears": 0}) == ""


def test_a_moving_tempo_says_where_it_begins():
    """The tempo of the session until its map is there: that of the copy's first bar."""
    grid = moving_grid((70, 139.21), (24, 141.0), (50, 140.0))
    text = " ".join(text_of(sample_report(sample_analysis(grid=grid))).split())
    assert "Tempo: moves from 139.2 BPM on, take the tempo map; 4/4" in text
    assert "Tempo: it moves, 139 to 141 BPM. Take the tempo map" in text


def test_a_tempo_that_changes_once_says_at_which_bar_of_the_session():
    """The ninth bar of the song; the copy has a bar of silence in front of it, and begins there."""
    curve = ((BAR_ONE_S, 139.21), (BAR_ONE_S + 8 * BAR_S, 120.0))
    grid = replace(sample_analysis().grid, constant_tempo=False, tempo_curve=curve)
    for lead_in_bars, bar, first in (
        (0, 9, "139.2"),
        (1, 10, "139.21"),
    ):  # 0.98 ms off after 13.7 s, 1.1 after 15.4
        settings = Settings(output={"lead_in_bars": lead_in_bars})
        report = sample_report(sample_analysis(grid=grid), settings=settings)
        text = " ".join(text_of(report).split())
        assert f"Tempo: {first} BPM, from bar {bar} on 120 BPM, take the tempo map; 4/4" in text
        assert f"Tempo: it changes once: {first} BPM, from bar {bar} on 120 BPM. Take the tempo map" in text


def test_a_tempo_that_only_a_part_bears_out_says_which_in_bars_of_the_session():
    found = sample_analysis().grid
    grid = replace(found, steady_from_s=BAR_ONE_S + 4 * BAR_S, steady_to_s=BAR_ONE_S + 28 * BAR_S)
    for lead_in_bars, part in ((0, "from bar 5 to bar 29"), (2, "from bar 7 to bar 31")):
        settings = Settings(output={"lead_in_bars": lead_in_bars})
        report = sample_report(sample_analysis(grid=grid), settings=settings)
        assert f"Tempo: constant {part}; 4/4\n" in text_of(report)
        assert glance(report, report.in_session(), 0.8)[0].notes[0] == f"constant {part}"
        evidence = report.answers.constant_tempo.evidence
        assert [(e.what, e.value) for e in evidence][-2:] == [
            ("borne out by attacks from", grid.steady_from_s),
            ("borne out by attacks until", grid.steady_to_s),
        ]
    assert "Tempo: constant; 4/4\n" in text_of(sample_report())
    assert glance(sample_report(), sample_report().in_session(), 0.8)[0].notes[0].startswith("constant, ")
    opening = sample_report(sample_analysis(grid=replace(grid, steady_to_s=None)))
    assert "Tempo: constant from bar 5 on; 4/4\n" in text_of(opening)
    ending = sample_report(sample_analysis(grid=replace(grid, steady_from_s=None)))
    assert "Tempo: constant up to bar 29; 4/4\n" in text_of(ending)
    beyond = sample_report(sample_analysis(grid=replace(grid, steady_from_s=None, steady_to_s=1e4)))
    assert "Tempo: constant; 4/4\n" in text_of(beyond)


def test_a_beat_that_starts_anew_says_where_and_keeps_its_one_tempo():
    """The ninth bar of the song, an eighth late; with another tempo from there on, both are said."""
    anew = BAR_ONE_S + 8 * BAR_S
    for after, line, course in (
        (140.0, "140 BPM, beat starts anew,", "140 BPM, beat starts anew at bar 9"),
        (
            120.0,
            "120 to 140 BPM, beat starts anew,",
            "140 BPM, from bar 9 on 120 BPM, where the beat starts anew",
        ),
    ):
        grid = replace(
            sample_analysis().grid,
            constant_tempo=False,
            tempo_curve=((BAR_ONE_S, 140.0), (anew, after)),
            restarts=(BeatRestart(anew - BAR_S / 3, anew),),
        )
        text = " ".join(text_of(sample_report(sample_analysis(grid=grid))).split())
        assert line in text
        assert f"Tempo: {course}, take the tempo map; 4/4" in text
        assert "Tempo: it starts anew at bar 9, off the count before" in text


def test_lines_are_short_and_plain():
    """58 characters after the first line: that fits a message. No tabs, no minus but the keyboard's."""
    long = "a very long name of a beat that somebody gave without thinking of others " * 2
    lines = text_of(sample_report(source=sample_source(f"{long}.wav"))).splitlines()
    assert max(map(len, lines[1:])) <= WIDTH
    assert text_of(sample_report()).isascii()


def test_chords_by_bar_what_comes_again_once():
    text = text_of(sample_report())
    assert "  A\n    1-4: Ebm | B | Gb | Db\n      to bar 8: the same, 2 times in all\n" in text
    assert "    25-28: Ebm | B | Gb | Db\n      to bar 36: the same, 3 times in all\n" in text


def test_a_chord_that_is_not_sure_is_marked_and_the_mark_explained():
    chords = sample_analysis().chords
    assert "Chords by bar\n" in text_of(sample_report())
    doubted = (chords[0], replace(chords[1], confidence=0.6), *chords[2:])
    text = text_of(sample_report(sample_analysis(chords=doubted)))
    assert f"{chords[0].label} | {chords[1].label}? | " in text
    assert "Chords by bar (?: by ear)\n" in text


def test_a_loop_of_eight_bars_is_written_once():
    labels = ["Gm", "Gm", "Adim", "Adim", "D7", "D7", "Gm", "Gm"]
    chords = tuple(
        Chord(BAR_ONE_S + k * BAR_S, BAR_ONE_S + (k + 1) * BAR_S, labels[k % 8], 0.9) for k in range(36)
    )
    sections = (Section(BAR_ONE_S, 66.0, "A", 1, 0.9),)
    text = text_of(sample_report(sample_analysis(chords=chords, sections=sections)))
    loop = "    1-4: Gm | Gm | Adim | Adim\n    5-8: D7 | D7 | Gm | Gm\n"
    assert f"{loop}      to bar 32: the same, 4 times in all\n    33-36: " in text


def test_bars_are_those_of_the_session():
    """Sound from before bar one: the copy starts a bar earlier, so bar one is the session's bar 2."""
    early = replace(sample_analysis().lead_in, first_sound_s=BAR_ONE_S - 0.4)
    changes = (KeyChange(BAR_ONE_S + 8 * BAR_S, "F", "minor", 0.9),)
    report = sample_report(sample_analysis(lead_in=early, key=replace(key_of(), changes=changes)))
    text = text_of(report)
    assert "song starts at bar 2" in text.splitlines()[0]
    assert f"Start: the song starts at bar 2 ({BAR_S:.2f} s); " in text
    assert "    2-5: Ebm | B | Gb | Db\n      to bar 9: the same, 2 times in all\n" in text
    assert "  bar 10: F G Ab Bb C Db Eb (F minor)\n" in text


def test_note_set_is_said_where_it_changes_only():
    lines = text_of(sample_report()).splitlines()
    assert [line for line in lines if "(E flat minor)" in line] == [
        "  from the start: Eb F Gb Ab Bb Cb Db (E flat minor)"
    ]


def test_where_only_the_chords_add_something_else_the_notes_are_not_listed_again():
    chords = (Chord(BAR_ONE_S + 9 * BAR_S, BAR_ONE_S + 10 * BAR_S, "Bb", 0.9),)  # in section B, bars 9 to 24
    text = text_of(sample_report(sample_analysis(chords=chords)))
    assert text.count("Eb F Gb Ab Bb Cb Db") == 1
    assert "  bar 9: the same notes\n    the chords also sound D\n  bar 25: the same notes alone\n" in text


@pytest.mark.parametrize(("last", "told"), [("Ebm", False), ("Bb", False), ("Edim", True)])
def test_what_rings_out_in_the_last_bar_is_not_told_unless_it_has_a_note_that_was_not(last, told):
    """The first B flat sounds D beside E flat minor; a diminished E sounds E and G, too."""
    lines = [at for at, down in zip(steady_grid().beats_s, steady_grid().downbeats, strict=True) if down]
    chords = (Chord(BAR_ONE_S, BAR_ONE_S + BAR_S, "Bb", 0.9), Chord(lines[-1], lines[-1] + 1.0, last, 0.5))
    sections = (
        Section(BAR_ONE_S, lines[-1], "A", 1, 0.8),
        Section(lines[-1], lines[-1] + BAR_S, "B", len(lines), 0.8),
    )
    text = text_of(sample_report(sample_analysis(chords=chords, sections=sections)))
    assert "    the chords also sound D\n" in text
    assert ("the same notes" in text) == told


def test_without_a_sure_key_the_set_is_chromatic():
    text = text_of(sample_report(sample_analysis(key=key_of(confidence=0.5))))
    assert "  from the start: chromatic, until E flat minor is checked\n" in text


@pytest.mark.parametrize("relative", [0.28, 0.32])
@pytest.mark.parametrize("later", [0.7, 0.9])
def test_card_guide_page_and_check_by_ear_agree_on_what_can_be_set(relative: float, later: float):
    """The relative key has the same notes: with it they are right four times in five, or not quite."""
    others = (KeyCandidate("E flat", "minor", 0.5), KeyCandidate("G flat", "major", relative))
    change = KeyChange(BAR_ONE_S + 8 * BAR_S, "F", "minor", 0.95, later)
    key = replace(key_of(confidence=0.5), alternatives=others, changes=(change,))
    report = sample_report(sample_analysis(key=key))
    view = report.in_session()
    text, ears = text_of(report), " ".join(report.check_by_ear)
    guide = [set_words(held) for held in note_sets(view, 0.8)]
    page = ["".join(line) for line in key_lines(view, 0.8)]
    sure = relative > 0.3
    assert ("from the start: Eb F Gb Ab Bb Cb Db" in text) == sure
    assert (
        "can be set to E flat, F, G flat, A flat, B flat, C flat, D flat now, until bar 9" in ears
    ) == sure
    assert guide[0].startswith("E flat minor or G flat major: E flat, F") == sure
    assert page[0].startswith("Notes: E flat") == sure
    assert ("chromatic is safe until then" in ears.partition("Key: F minor")[0]) != sure
    assert ("bar 9: F G Ab Bb C Db Eb (F minor)" in text) == (later == 0.9)
    assert ("notes: F, G" in page[1]) == (later == 0.9)
    assert ("Key: F minor from bar 9" in ears) == (later == 0.7)


def test_what_needs_ears_stands_ahead_of_the_chords_or_that_nothing_does():
    report = sample_report(sample_analysis(key=key_of(confidence=0.5)))
    said = text_of(report).partition("Check by ear\n")[2].partition("\n\nChords by bar")[0]
    assert re.sub(r"\s+", " ", said).strip() == " ".join(report.check_by_ear).replace("−", "-")
    assert "\nNothing needs ears.\n\nChords by bar\n" in text_of(sample_report())


@pytest.mark.parametrize(
    ("lufs", "peak", "said"),
    [
        (
            -8.4,
            -0.1,
            "Level: turn it down 9.6 dB: -18.0 LUFS, the level this studio works at now -8.4 LUFS",
        ),
        (-24.0, -3.0, "Level: turn it up 2.0 dB: -22.0 LUFS, its peaks allow no more now -24.0 LUFS"),
        (-18.0, -6.0, "Level: leave the fader, the level this studio works at now -18.0 LUFS"),
        (-20.0, -1.0, "Level: leave the fader, its peaks allow no more now -20.0 LUFS"),
    ],
)
def test_the_level_says_first_what_to_do_with_the_fader(lufs: float, peak: float, said: str):
    """Down to -18 LUFS, up as far as the true peak stays below -1 dBTP."""
    loudness = replace(sample_analysis().loudness, integrated_lufs=lufs, true_peak_dbtp=peak)
    text = " ".join(text_of(sample_report(sample_analysis(loudness=loudness))).split())
    assert f"{said}, true peak {peak:.1f} dBTP" in text
    assert "room for the voice" not in text


def test_what_was_set_by_hand_is_said():
    correction = Correction(tempo_bpm=70.0, bar_one_s=1.5)
    assert "Set by hand: tempo, first bar\n" in text_of(sample_report(corrections=correction))
    assert "by hand" not in text_of(sample_report())


def test_the_standard_pitch_is_said_without_its_last_tenth():
    text = text_of(sample_report(sample_analysis(tuning=Tuning(0.4, 440.1, 0.95))))
    assert "Tuning: A4 = 440 Hz\n" in text


def test_a_beat_without_tempo_or_chords():
    report = sample_report(sample_analysis(grid=no_steady_beat(), chords=(), sections=()))
    text = text_of(report)
    assert text.splitlines()[0].startswith("amber-lane.wav: no tempo, E flat minor, not on a bar line")
    assert "Chords by bar" not in text


@pytest.mark.parametrize(
    ("cents", "said"),
    [
        (1.2, "Tuning: +1 cent, A4 = 440.3 Hz"),
        (-1.0, "Tuning: -1 cent, A4 = 439.7 Hz"),
        (1.6, "Tuning: +2 cents, A4 = 440.4 Hz"),
        (0.4, "Tuning: A4 = 440 Hz"),
    ],
)
def test_one_cent_is_one(cents: float, said: str) -> None:
    """A4 by equal temperament from ISO 16: 440 * 2 ** (cents / 1200) Hz."""
    tuning = Tuning(cents, 440 * 2 ** (cents / 1200), 0.95)
    assert said in text_of(sample_report(sample_analysis(tuning=tuning)))


@pytest.mark.parametrize("tonic", ["E flat", None])
def test_a_tuning_that_is_not_sure_is_no_fact(tonic: str | None):
    """Leaving the standard pitch is right until another one is measured: ISO 16, A4 = 440 Hz."""
    key = replace(key_of(), tonic=tonic)
    for confidence, said in (
        (0.9, "Tuning: -12 cents, A4 = 437.0 Hz"),
        (0.3, "not measurable, leave A4 = 440"),
    ):
        text = text_of(sample_report(sample_analysis(tuning=Tuning(-12.0, 436.96, confidence), key=key)))
        assert (said in text) == (confidence == 0.9 or tonic is not None)
        assert ("437" in text.partition("Check by ear")[0]) == (confidence == 0.9)
    none = text_of(sample_report(sample_analysis(tuning=Tuning(None, None, 0.0, "no tones"), key=key)))
    assert ("not measurable" in none) == (tonic is not None)


def test_layers_that_are_apart_are_told_everywhere_and_ask_for_ears():
    report = sample_report(sample_analysis(tuning=Tuning(1.6, 440.4, 0.5, layer_cents=-36.6)))
    words = "+2 cents and -37 cents"
    assert f"Tuning: two layers, {words}" in " ".join(text_of(report).split())
    [line] = [line for line in report.check_by_ear if line.startswith("Tuning")]
    assert f"two layers are apart, {words}" in line.replace("−", "-")
    assert "Set pitch correction" not in line
    [row] = [row for row in glance(report, report.in_session(), 0.8) if row.label == "Tuning"]
    assert row.value == "two layers"
    assert row.notes[0].replace("−", "-") == words


def test_a_tuning_that_moves_is_told_everywhere_and_asks_for_ears():
    moving = Tuning(0.2, 440.05, 0.5, thirds_cents=(-13.1, None, 13.4))
    report = sample_report(sample_analysis(tuning=moving))
    words = "-13 cents in the first third, +13 cents in the last third"
    text = " ".join(text_of(report).split())
    assert f"Tuning: moves, {words}" in text
    [line] = [line for line in report.check_by_ear if line.startswith("Tuning")]
    assert words in line.replace("−", "-")
    assert "Set pitch correction" not in line
    [row] = [row for row in glance(report, report.in_session(), 0.8) if row.label == "Tuning"]
    assert row.value == "moves"
    assert sample_report(sample_analysis(tuning=Tuning(0.2, 440.05, 0.9))).check_by_ear == ()


def test_loud_music_is_announced():
    """Hearing: a beat at -8 LUFS is far above the level that a mix is played at; local rules decide."""
    assert "turn down before you listen" in text_of(sample_report())
    quiet = replace(sample_analysis().loudness, integrated_lufs=-20.0)
    assert "turn down" not in text_of(sample_report(sample_analysis(loudness=quiet)))


def test_hostile_names_stay_on_their_line():
    report = sample_report(source=sample_source("a\nb\x1b[31m.wav"))
    assert "\x1b" not in text_of(report)
    assert text_of(report).splitlines()[0].startswith("a\\x0ab\\x1b[31m.wav: ")


def test_a_blues_is_named_and_its_notes_leave_both_thirds():
    report = sample_report(sample_analysis(key=blues_in_a()))
    lines = text_of(report).splitlines()
    assert lines[0] == "amber-lane.wav: 140 BPM, blues in A, song starts at bar 1"
    text = " ".join(text_of(report).split())
    assert "from the start: A B C C# D Eb E F# G (blues in A)" in text
    assert text.count("a blues bends third, fifth and seventh: correct them slowly or not at all") == 1
    assert max(map(len, lines[1:])) <= WIDTH


def test_no_note_of_the_chart_is_missing_from_the_notes():
    """B flat, the fifth of E flat minor, has D: to be sung over it, though the chord is not sure."""
    for confidence, also in ((0.9, "the chords also sound D"), (0.5, "the chords perhaps also sound D")):
        chords = (Chord(BAR_ONE_S, BAR_ONE_S + BAR_S, "Bb", confidence),)
        text = text_of(sample_report(sample_analysis(chords=chords)))
        assert f"(E flat minor)\n    {also}\n" in text


def test_what_is_not_sure_of_tempo_and_meter_is_no_plain_fact():
    for constant, meter, said in (
        (0.8, 0.8, "Tempo: constant; 4/4\n"),
        (0.66, 0.57, "Tempo: constant (66 % sure); 4/4 (57 % sure)\n"),
        (0.9, 0.0, "Tempo: constant; 4/4 (assumed)\n"),
    ):
        grid = replace(steady_grid(), constant_confidence=constant, meter_confidence=meter)
        assert said in text_of(sample_report(sample_analysis(grid=grid)))
