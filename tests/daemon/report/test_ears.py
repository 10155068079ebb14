"""What needs ears, and what to hear there."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from analyzers.model import (
    Analysis,
    BarOneCandidate,
    BeatRestart,
    Chord,
    Flag,
    Key,
    KeyCandidate,
    KeyChange,
    MeterCandidate,
    OtherLevel,
    TempoCandidate,
    Tuning,
)
from daemon.core.names import key_words, tempo_words
from daemon.corrections.apply import Correction
from daemon.report.ear_topics import topics
from daemon.report.ears import check_by_ear
from daemon.report.page_glance import glance
from daemon.report.parts import Claim, Cut, StemLine
from daemon.report.pictures import tempo_picture
from daemon.report.trimmed_words import trimmed_lines
from daemon.report.words import (
    tempo_line,
)
from tests.daemon.sample_report import (
    BAR_ONE_S,
    blues_in_a,
    key_of,
    moving_grid,
    no_steady_beat,
    sample_analysis,
    sample_report,
    steady_grid,
)


def ears(analysis: Analysis, topic: str) -> list[str]:
    """What is to be checked by ear about one topic."""
    lines = check_by_ear(analysis, below=0.8, tuning_flag_cents=8.0)
    return [line for line in lines if line.startswith(topic)]


def test_the_two_likeliest_rivals_are_named_and_no_third() -> None:
    names = ("F sharp major", "C minor", "A flat major", "D minor")
    chances = (0.2, 0.12, 0.1, 0.005)
    own = key_of(confidence=0.5)
    rivals = [KeyCandidate(*n.rsplit(" ", 1), p) for n, p in zip(names, chances, strict=True)]
    [line] = ears(sample_analysis(key=replace(own, alternatives=(own.alternatives[0], *rivals))), "Key")
    assert "could be F sharp major (20 %) or C minor (12 %)." in line
    assert "A flat" not in line

    rivals = ((140, 0.5), (70, 0.2), (93.33, 0.15), (105, 0.1), (112, 0.07))
    tempi = tuple(TempoCandidate(*rival) for rival in rivals)
    grid = replace(steady_grid(), tempo_confidence=0.5, tempo_alternatives=tempi)
    [line] = ears(sample_analysis(grid=grid), "Tempo")
    assert "could be 93.33 (15 %) or 105 (10 %). It may be counted as 70, on the same grid. " in line
    assert "112" not in line
    hardly = replace(grid, tempo_alternatives=(TempoCandidate(140, 0.5), TempoCandidate(70, 0.04)))
    assert ears(sample_analysis(grid=hardly), "Tempo") == [
        "Tempo: 140 BPM is 50 % sure. Listen to the click check."
    ]


BAR_S = 4 * 60 / 140
RELATIVE = (KeyCandidate("E flat", "minor", 0.5), KeyCandidate("G flat", "major", 0.35))


def open_key(*changes: KeyChange) -> Key:
    """E flat minor or its relative: the notes are sure, the tonic is not."""
    return replace(key_of(confidence=0.5), alternatives=RELATIVE, changes=changes)


def bar_s(number: int) -> float:
    return BAR_ONE_S + (number - 1) * BAR_S


NOTES = "E flat, F, G flat, A flat, B flat, C flat, D flat"


def test_the_notes_are_set_until_the_key_changes_and_after_it_to_those_of_the_later_key() -> None:
    alone = "pitch correction can be set to "
    [line] = ears(sample_analysis(key=open_key(), chords=()), "Key")
    assert line.endswith(f"The notes are the same in G flat major: {alone}{NOTES} now.")

    sure, doubtful = (KeyChange(bar_s(9), "F", "minor", 0.95, c) for c in (0.9, 0.6))
    [line] = ears(sample_analysis(key=open_key(sure), chords=()), "Key")
    until = f"{alone}{NOTES} now, until bar 9 ({bar_s(9):.2f} s); from bar 9 on "
    assert line.endswith(f"{until}F, G, A flat, B flat, C, D flat, E flat.")

    first, later = ears(sample_analysis(key=open_key(doubtful), chords=()), "Key")
    assert first.endswith(f"{until}chromatic, until F minor is checked.")
    assert later.startswith(f"Key: F minor from bar 9 ({bar_s(9):.2f} s) on is 60 % sure.")
    assert later.endswith("chromatic is safe until then.")


def test_a_key_that_begins_after_an_opening_without_one_is_told_from_its_bar_on() -> None:
    begin, later = (
        KeyChange(bar_s(5), "E flat", "minor", 0.9, 0.5, RELATIVE),
        KeyChange(bar_s(9), "F", "minor", 0.95),
    )
    [line] = ears(sample_analysis(key=open_key(begin, later), chords=()), "Key")
    assert line.startswith(f"Key: E flat minor from bar 5 ({bar_s(5):.2f} s) on is 50 % sure; it could be")
    assert f"set to {NOTES} from bar 5 on, until bar 9" in line
    doubtful = KeyChange(bar_s(5), "E flat", "minor", 0.75, 0.9)
    [line] = ears(sample_analysis(key=replace(key_of(confidence=0.9), changes=(doubtful,))), "Key")
    at = f"bar 5 ({bar_s(5):.2f} s)"
    assert line.startswith(f"Key: that it begins at {at} is 75 % sure; before it none was found.")


def test_notes_that_the_chords_sound_beside_the_scale_are_named_with_it() -> None:
    chords = (Chord(BAR_ONE_S, bar_s(2), "Bb", 0.9),)
    [line] = ears(sample_analysis(key=open_key(), chords=chords), "Key")
    assert line.endswith(f"set to {NOTES} now (the chords also sound D).")


def test_a_relative_key_that_is_named_for_its_notes_is_one_of_those_offered() -> None:
    others = (KeyCandidate("B flat", "minor", 0.1), KeyCandidate("A flat", "minor", 0.08))
    own, relative = KeyCandidate("E flat", "minor", 0.78), KeyCandidate("G flat", "major", 0.03)
    key = replace(key_of(confidence=0.78), alternatives=(own, *others, relative))
    [line] = ears(sample_analysis(key=key), "Key")
    assert "it could be B flat minor (10 %) or G flat major (3 %)." in line
    assert "The notes are the same in G flat major" in line


def test_a_false_start_is_said_where_the_songs_first_bar_is() -> None:
    grid = replace(steady_grid(), bar_one_confidence=0.7, other_start_before=True)
    [line] = [
        line
        for line in check_by_ear(sample_analysis(grid=grid), below=0.8, tuning_flag_cents=5.0)
        if line.startswith("First bar")
    ]
    assert "A false start and a pause come before it, off its count: hear them" in line
    assert "accent" not in line


@pytest.mark.parametrize(
    ("before", "late_s", "heard"),
    [(True, 0.4, False), (True, 8.0, True), (False, 0.4, True)],  # a tag; one that comes again; a pickup
)
def test_a_voice_ahead_of_the_song_is_muted_there(before: bool, late_s: float, heard: bool) -> None:
    end_s = BAR_ONE_S + late_s
    flag = Flag(
        "voice", "warning", "Most likely a voice.", "Ask for a version without it.",
        start_s=0.2, end_s=end_s, places_s=((0.2, end_s),),
    )  # fmt: skip
    grid = replace(steady_grid(), voice_before=before)
    [line] = [
        line
        for line in check_by_ear(
            replace(sample_analysis(grid=replace(grid, bar_one_s=0.0)), flags=(flag,)),  # the session's first
            below=0.8,
            tuning_flag_cents=5.0,
            cut=sample_report().cut.model_copy(update={"bar_one_in_copy_s": BAR_ONE_S}),
        )
        if line.startswith("Voice")
    ]
    assert ("Hear whether it is one. Ask for a version without it." in line) == heard
    assert ("It ends where the song starts: mute what lies before if it is not wanted." in line) != heard


def test_another_meter_that_it_may_have_is_named() -> None:
    others = (MeterCandidate("6/8", 0.3), MeterCandidate("3/4", 0.04))
    grid = replace(steady_grid(), meter_confidence=0.66, meter_alternatives=others)
    [line] = ears(sample_analysis(grid=grid), "Meter")
    assert line == "Meter: 4/4 is 66 % sure; it could be 6/8 (30 %). Count a few bars."


def test_where_else_the_first_bar_may_begin_is_named() -> None:
    places = ((2.0, 0.3), (-4.0, 0.12), (0.5, 0.06))
    others = tuple(BarOneCandidate(*place) for place in places)
    doubted = replace(steady_grid(), bar_one_confidence=0.5, bar_one_alternatives=others)
    [line] = ears(sample_analysis(grid=doubted), "First bar")
    assert "50 % sure; it may begin 2 beats later (30 %) or a bar earlier (12 %). Check" in line
    half = replace(doubted, bar_one_alternatives=(others[2], BarOneCandidate(1.0, 0.04)))
    [line] = ears(sample_analysis(grid=half), "First bar")
    assert "sure; it may begin 1/2 of a beat later (6 %). Check" in line
    [line] = ears(sample_analysis(grid=replace(half, bar_one_alternatives=())), "First bar")
    assert "50 % sure. Check" in line
    far = tuple(BarOneCandidate(*place) for place in ((24.0, 0.3), (-6.0, 0.2)))
    [line] = ears(sample_analysis(grid=replace(half, bar_one_alternatives=far)), "First bar")
    assert "sure; it may begin 6 bars later (30 %) or 6 beats earlier (20 %). Check" in line


def test_a_song_that_is_not_all_there_comes_before_all_else_with_where_it_ends() -> None:
    """The bar that holds the end: 66 s at 140 BPM from 0.75 s on are 38 bars and a bit."""
    warnings = (
        "The file is named .wav but is an MP3 inside; it was read as what it is.",
        "Cut off or damaged: the header declares 90.0 s, 24.0 s of it cannot be read.",
    )
    told = {"below": 0.8, "tuning_flag_cents": 8.0, "warnings": warnings}
    lines = check_by_ear(sample_analysis(key=key_of(confidence=0.5)), **told)
    assert lines[0] == (
        "File: Cut off or damaged: the header declares 90.0 s, 24.0 s of it cannot be read. "
        "It ends in bar 39 after 1 min 06.0 s: ask for the whole file before a take."
    )
    assert topics(lines) == ("file", "key")
    assert lines[-1].startswith("File: The file is named .wav")
    short = ("Only 8.0 s long: tempo, bar one, key and sections rest on little; check them by ear.",)
    assert topics(
        check_by_ear(sample_analysis(key=key_of(confidence=0.5)), **told | {"warnings": short})
    ) == (
        "file",
        "key",
    )


def test_stems_that_lack_their_front_come_first() -> None:
    stems = (StemLine(name="kick.wav", lacks_s=4 * BAR_S),)
    lines = check_by_ear(
        sample_analysis(key=key_of(confidence=0.5)), below=0.8, tuning_flag_cents=8.0, stems=stems
    )
    assert topics(lines) == ("stems", "key")


@pytest.mark.parametrize(
    ("code", "text", "advice", "said"),
    [
        ("dead-channel", "The right channel is silent.", "Use the other one.", " silent. Use the other one."),
        ("dc-offset", "Constant offset.", "Put a high-pass on it.", "offset. Put a high-pass on it."),
        ("clipping", "Clipped.", "Ask for another.", "Hear the loudest bars for crackle. Ask for another."),
        (
            "click",
            "Clicks.",
            "Listen there: ask for a new bounce.",
            "Hear it through for them. Ask for a new bounce.",
        ),
    ],
)
def test_a_fault_says_what_can_be_heard_of_it(code: str, text: str, advice: str, said: str) -> None:
    flag = Flag(code, "warning", text, advice)
    [line] = ears(sample_analysis(flags=(flag,)), "Signal")
    assert line.endswith(said)
    assert "how much it shows" not in line
    placed = replace(flag, places_s=((5.0, 5.0),))
    assert ("Listen there" in ears(sample_analysis(flags=(placed,)), "Signal")[0]) == (code == "click")


def test_what_nobody_looked_for_is_not_called_doubtful() -> None:
    """A tempo set by hand where no beat was found: bars and meter are assumed."""
    by_hand = Correction(tempo_bpm=140.0)
    grid = replace(steady_grid(), bar_one_confidence=0.0, meter_confidence=0.0)
    told = {"below": 0.8, "tuning_flag_cents": 8.0}
    lines = check_by_ear(sample_analysis(grid=grid), correction=by_hand, **told)
    assert lines == (
        "First bar: 0.75 s is where the first sound is; no bar line was found. "
        "Check that the click's accent falls on the one.",
        "Meter: 4/4 is assumed, none was found. Count a few bars.",
    )
    by_hand = Correction(tempo_bpm=140.0, meter="4/4")
    lines = check_by_ear(sample_analysis(grid=grid), correction=by_hand, **told)
    assert topics(lines) == ("first bar",)


@pytest.mark.parametrize(
    ("chances", "named"),
    [((0.01, 0.0099), ["C"]), ((0.0099, 0.001), []), ((0.2, 0.05), ["C", "D"]), ((0.2, 0.049), ["C"])],
)
def test_a_rival_that_is_hardly_possible_is_not_named(chances: tuple[float, float], named: list[str]) -> None:
    """The likeliest down to one in a hundred, a second one down to one in twenty."""
    own = key_of(confidence=0.5)
    rivals = [KeyCandidate(tonic, "minor", p) for tonic, p in zip("CD", chances, strict=True)]
    analysis = sample_analysis(key=replace(own, alternatives=(own.alternatives[0], *rivals)))
    [line] = ears(analysis, "Key")
    assert [tonic for tonic in "CD" if f"{tonic} minor (" in line] == named
    report = sample_report(analysis)
    [row] = [row for row in glance(report, report.in_session(), 0.8) if row.label == "Key"]
    assert [tonic for tonic in "CD" if any(f"{tonic} minor" in note for note in row.notes)] == named


@pytest.mark.parametrize(
    ("bpm", "probability", "said"), [(70, 0.3, True), (280, 0.3, True), (70, 0.29, False), (105, 0.4, False)]
)
def test_a_level_that_fits_as_well_is_told_however_sure_the_beat_is(
    bpm: float, probability: float, said: bool
) -> None:
    tempi = (TempoCandidate(140, 1 - probability), TempoCandidate(bpm, probability))
    grid = replace(steady_grid(), tempo_confidence=0.97, tempo_alternatives=tempi)
    lines = ears(sample_analysis(grid=grid), "Tempo")

    told = f"Tempo: 140 BPM may as well be counted as {bpm}; the grid is the same."
    assert [line.startswith(told) for line in lines] == [True] * said
    by_hand = Correction(tempo_bpm=140.0)
    again = check_by_ear(sample_analysis(grid=grid), below=0.8, tuning_flag_cents=8.0, correction=by_hand)
    assert not any(line.startswith("Tempo") for line in again)


def test_the_numbers_of_a_doubtful_tempo_and_of_its_open_level_are_told_apart() -> None:
    tempi = (TempoCandidate(140, 0.75), TempoCandidate(70, 0.35), TempoCandidate(105, 0.2))
    grid = replace(steady_grid(), tempo_confidence=0.75, tempo_alternatives=tempi)
    doubt, level = ears(sample_analysis(grid=grid), "Tempo")

    assert doubt.startswith("Tempo: 140 BPM is 75 % sure; it could be 105 (20 %). ")
    assert level.startswith("Tempo: 140 BPM may as well be counted as 70; the grid is the same.")


def test_a_tempo_that_it_would_have_is_named_where_no_steady_beat_was_found() -> None:
    def line(*tempi: tuple[float, float]) -> str:
        guesses = tuple(TempoCandidate(*t) for t in tempi)
        grid = replace(no_steady_beat(), tempo_alternatives=guesses)
        [found] = ears(sample_analysis(grid=grid, chords=(), sections=()), "Tempo")
        return found

    assert line((121.86, 0.08), (60.93, 0.31)).endswith("can be counted, at some 61 BPM (31 %).")
    assert line((60.93, 0.09)).endswith("can be counted.")
    assert line().endswith("can be counted.")


def test_a_moving_tempo_is_its_whole_range_everywhere() -> None:
    grid = moving_grid((31, 94.1), (32, 96.55), (30, 93.93))
    moving = sample_analysis(grid=grid)
    assert tempo_line(grid, 60.0) == "94 to 97 BPM, moving"
    assert ears(moving, "Tempo")[0].startswith("Tempo: it moves, 94 to 97 BPM. Take the tempo map, not one")
    report = sample_report(moving)
    assert "94 to 97 BPM" in report.summary()["line"]
    assert tempo_words(report.summary()) == "94 to 97 BPM, moving"
    assert tempo_words({"tempo_bpm": 93.5}) == "93.5 BPM"
    older = {k: v for k, v in report.summary().items() if k != "tempo_motion"}
    assert tempo_words(older) == "94 to 97 BPM, moving"
    assert tempo_words({}) == "no tempo"


@pytest.mark.parametrize("restarts", [(), (BeatRestart(19.4, 20.0),)])
def test_that_it_moves_is_said_with_its_doubt(restarts: tuple[BeatRestart, ...]) -> None:
    grid = replace(moving_grid((31, 94.1), (32, 96.55), (30, 93.93)), restarts=restarts)
    for confidence in (0.54, 0.79, 0.81):
        moving = sample_analysis(grid=replace(grid, constant_confidence=confidence))
        doubt = f" ({round(confidence * 100)} % sure). Take the tempo map, not one number."
        assert (doubt in ears(moving, "Tempo")[0]) == (confidence < 0.8)
    by_hand = Correction(tempo_bpm=95.0)
    lines = check_by_ear(moving, below=0.9, tuning_flag_cents=8.0, correction=by_hand)
    assert not any("sure)" in line for line in lines)


def test_a_beat_that_starts_anew_is_no_moving_tempo() -> None:
    grid = replace(
        steady_grid(),
        constant_tempo=False,
        tempo_curve=((0.0, 140.0), (20.0, 140.0)),
        restarts=(BeatRestart(19.4, 20.0),),
    )
    report = sample_report(sample_analysis(grid=grid))
    assert tempo_line(grid, 60.0) == "140 BPM, beat starts anew"
    assert tempo_words(report.summary()) == "140 BPM, beat starts anew"
    picture = tempo_picture(report.corrected(), report.cut)
    assert picture is not None
    assert picture.title == "How hits near the lines lie"  # one tempo is not drawn as a moving one


def test_one_line_says_a_key_as_card_and_page_do() -> None:
    assert key_words(sample_report(sample_analysis(key=blues_in_a())).summary()) == "blues in A"
    assert key_words({"key": "C minor"}) == "C minor"  # of an older record
    assert key_words({}) == "no key"


@pytest.mark.parametrize(
    ("cents", "said"), [(7.9, False), (8.0, False), (-8.0, False), (8.1, True), (-8.1, True)]
)
def test_a_tuning_is_told_from_beyond_the_limit_on(cents: float, said: bool) -> None:
    """`tuning_flag_cents` in the settings: "further off than this" is told."""
    tuning = Tuning(cents, 440 * 2 ** (cents / 1200), 0.95)
    assert bool(ears(sample_analysis(tuning=tuning), "Tuning")) == said


def test_no_other_pitch_is_to_be_set_by_a_tuning_that_is_not_sure() -> None:
    for confidence, told in ((0.8, True), (0.79, False), (0.01, False)):
        tuning = Tuning(-12.0, 440 * 2 ** (-12 / 1200), confidence)
        [line] = ears(sample_analysis(tuning=tuning), "Tuning")
        assert ("Set pitch correction to A4 = 437.0 Hz" in line) == told
        assert ("not measurable, leave A4 = 440 Hz; 12 cents below A4 = 440 Hz is" in line) != told
        assert ("437" in line) == told


def test_every_line_says_what_to_hear() -> None:
    """A setting alone is none of the list; what begins inside a sound is."""
    grid = replace(
        steady_grid(),
        tempo_confidence=0.5,
        bar_one_confidence=0.5,
        meter_confidence=0.5,
        constant_tempo=False,
    )
    key = key_of(confidence=0.5)
    none = replace(key, tonic=None, mode=None, reason="only drums")
    flag = Flag("clipping", "warning", "Clipped.", "Ask for another bounce.")
    told = {
        "below": 0.8,
        "tuning_flag_cents": 8.0,
        "copy_warnings": ["The cut goes through sound 37 dB below the peak; listen to its first moment."],
        "claims": [
            Claim(question="key", text="Cm", where="tag", value="C minor", agrees=False, relation="not")
        ],
    }
    doubtful = sample_analysis(grid=grid, key=key, flags=(flag,), tuning=Tuning(-32.0, 431.9, 0.9))
    lines = [
        *check_by_ear(doubtful, **told),
        *check_by_ear(sample_analysis(key=none, grid=no_steady_beat()), **told),
    ]
    assert "start" in topics(lines)
    assert len(topics(lines)) == 7
    for line in lines:
        assert re.search(r"\b([Hh]ear|[Ll]isten|[Cc]heck that|[Cc]ount|by ear)\b", line), line
    faded = ["The cut goes through sound 37 dB below the peak; a fade-in of 1.0 ms ends before the attack."]
    assert not check_by_ear(sample_analysis(), below=0.8, tuning_flag_cents=8.0, copy_warnings=faded)


def moved_cut(shift_s: float, hits_after_lines_s: float | None) -> Cut:
    """A copy whose lines lie so much after the measured ones."""
    return Cut(
        source_start=44100,
        source_end=10**6,
        pad_samples=0,
        zero_s=1.0,
        bar_one_in_copy_s=0.0,
        bars_before_bar_one=0,
        why="",
        session_shift_s=shift_s,
        hits_after_lines_s=hits_after_lines_s,
    )


@pytest.mark.parametrize(
    ("shift_s", "hits_s", "said"),
    [
        (-0.025, 0.0248, ("25 ms early", "25 ms after")),
        (-0.0104, None, ("10 ms early", "10 ms after")),
        (0.011, -0.0108, ("11 ms late", "11 ms before")),
        (-0.009, 0.009, None),
        (-0.012, 0.004, None),  # the hits themselves lie ahead of the lines that were measured
        (0.0, 0.015, None),
    ],
)
def test_lines_that_a_first_hit_took_far_from_the_others_are_to_be_heard(
    shift_s: float, hits_s: float | None, said: tuple[str, str] | None
) -> None:
    told = {"below": 0.8, "tuning_flag_cents": 8.0, "cut": moved_cut(shift_s, hits_s)}
    lines = [line for line in check_by_ear(sample_analysis(), **told) if line.startswith("Start")]

    assert len(lines) == (said is not None)
    if said:
        after_ms = int(said[1].split()[0]) * (1 if shift_s < 0 else -1)
        then = f"correct --bar-one={after_ms:+d}ms puts the lines with the song"
        assert lines[0].startswith(f"Start: the first hit comes {said[0]} and takes the bar lines along, ")
        assert f"so the song's other hits lie {said[1]} them: hear the click check; {then} and" in lines[0]
        assert lines[0].endswith(
            "counts that hit as a pickup." if shift_s < 0 else "leaves a gap before that hit."
        )
    by_hand = check_by_ear(sample_analysis(), correction=Correction(bar_one_s=0.75), **told)
    assert not any("first hit" in line for line in by_hand)


@pytest.mark.parametrize(("late_s", "said"), [(0.0104, False), (0.0106, True), (0.0318, True)])
def test_a_gap_ahead_of_a_late_first_hit_is_to_be_heard(late_s: float, said: bool) -> None:
    cut, ms = replace_cut(moved_cut(0.0, None), first_hit_late_s=late_s), round(late_s * 1000)
    told = {"below": 0.8, "tuning_flag_cents": 8.0, "cut": cut}
    lines = [line for line in check_by_ear(sample_analysis(), **told) if line.startswith("Start")]
    assert len(lines) == said
    if said:
        assert lines[0].startswith(f"Start: the first hit comes {ms} ms after the song's first bar line")
        assert f"; correct --bar-one=+{ms}ms puts all bar lines on it" in lines[0]
    by_hand = check_by_ear(sample_analysis(), correction=Correction(bar_one_s=0.75), **told)
    assert not any("first hit" in line for line in by_hand)


def test_lines_that_a_soft_beginning_took_along_are_put_back_by_one_command() -> None:
    cut = replace_cut(moved_cut(-0.06, 0.058), soft_start=True)
    told = {"below": 0.8, "tuning_flag_cents": 8.0, "cut": cut}
    [line] = [line for line in check_by_ear(sample_analysis(), **told) if line.startswith("Start")]
    assert line.startswith("Start: the first hit begins softly 60 ms early and takes the bar lines along")
    assert "correct --bar-one=+58ms puts the lines with the song" in line


@pytest.mark.parametrize(
    ("early_ms", "said"), [(0.5, False), (35, True), (61, True), (79, True), (82, False), (430, False)]
)
def test_sound_too_short_for_a_pickup_is_to_be_heard(early_ms: float, said: bool) -> None:
    """At 140 BPM a 16th note lasts 107 ms, a 32nd 54."""
    bar_s = 4 * 60 / 140
    cut = replace_cut(moved_cut(0.0, None), bar_one_in_copy_s=bar_s, bars_before_bar_one=1)
    found = sample_analysis()
    early = replace(found, lead_in=replace(found.lead_in, first_sound_s=bar_s - early_ms / 1000))
    told = {"below": 0.8, "tuning_flag_cents": 8.0, "cut": cut}
    lines = [line for line in check_by_ear(early, **told) if line.startswith("Start")]
    assert len(lines) == said
    if said:
        assert f"sound {early_ms} ms before the song's first bar, too short for a pickup" in lines[0]
        assert f"correct --bar-one=-{early_ms}ms puts the lines on it" in lines[0]
    assert not check_by_ear(early, correction=Correction(bar_one_s=0.75), **told)
    alone = {**told, "cut": replace_cut(cut, bars_before_bar_one=0)}
    assert not [line for line in check_by_ear(early, **alone) if "pickup" in line]


def replace_cut(cut: Cut, **values: object) -> Cut:
    return cut.model_copy(update=values)


def test_bar_lines_that_nothing_bears_out_are_to_be_heard() -> None:
    bar_s = 4 * 60 / 140
    found = sample_analysis()
    both = replace(
        found.grid, steady_from_s=BAR_ONE_S + 4 * bar_s + 0.2, steady_to_s=BAR_ONE_S + 28 * bar_s - 0.2
    )
    first, last = ears(replace(found, grid=both), "Tempo")
    assert first.startswith(
        "Tempo: before bar 5 the song may be out of tempo; the bar lines there are carried back"
    )
    assert last.startswith("Tempo: after bar 29 the song may slow down; the bar lines there are carried on")
    assert ears(replace(found, grid=replace(both, steady_from_s=None)), "Tempo") == [last]
    assert not ears(found, "Tempo")
    assert ears(replace(found, grid=replace(both, constant_confidence=0.75)), "Tempo") == [first, last]
    told = {"below": 0.8, "tuning_flag_cents": 8.0, "correction": Correction(tempo_bpm=140.0)}
    assert not [line for line in check_by_ear(replace(found, grid=both), **told) if line.startswith("Tempo")]


def test_a_part_that_may_be_counted_at_another_tempo_is_told_with_its_bar() -> None:
    bar_s = 4 * 60 / 140
    found = sample_analysis()

    def told(from_s: float | None, to_s: float | None, bpm: float = 70.0) -> Analysis:
        return replace(found, grid=replace(found.grid, other_level=OtherLevel(bpm, from_s, to_s)))

    later = told(BAR_ONE_S + 16 * bar_s, None)
    assert ears(later, "Tempo") == [
        "Tempo: from about bar 17 it may be counted at 70: it goes half as fast there, on the same grid. "
        "Hear how that part is counted."
    ]
    [first] = ears(told(None, BAR_ONE_S + 16 * bar_s, 280.0), "Tempo")
    assert first.startswith("Tempo: up to about bar 17 it may be counted at 280: it goes twice as fast there")
    told_so = {"below": 0.8, "tuning_flag_cents": 8.0, "correction": Correction(tempo_bpm=140.0)}
    assert not [line for line in check_by_ear(later, **told_so) if line.startswith("Tempo")]


def test_stems_without_their_front_are_told_in_bars_and_beats() -> None:
    """What is no whole number of sixteenths stays in seconds."""
    grid = steady_grid()
    beat_s, bar = 60 / grid.tempo_bpm, grid.beats_per_bar
    lacks = {"hat": None, "kick": 4 * bar, "bass": 4 * bar, "snare": 4 * bar + 1, "rim": 0.5, "vox": 0.3}
    stems = [StemLine(name=f"{n}.wav", lacks_s=None if v is None else v * beat_s) for n, v in lacks.items()]
    [line] = trimmed_lines(stems, grid)
    assert "4 bars of bass.wav and kick.wav, 4 bars 1 beat of snare.wav." in line
    assert "0.5 beats of rim.wav" in line
    assert f"{0.3 * beat_s:.2f} s of vox.wav" in line
    assert "hat" not in line
    assert trimmed_lines(stems[:1], grid) == []
    [without] = trimmed_lines(stems[1:2], no_steady_beat())
    assert f"{4 * bar * beat_s:.2f} s of kick.wav" in without
