"""Numbers as people say them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import BeatRestart, Flag, KeyCandidate
from daemon.report.ear_topics import ear_words, topics
from daemon.report.rivals import rival_keys
from daemon.report.words import flag_words, percent, seconds, sentence, signed, tempo_course, tempo_line
from tests.daemon.sample_report import moving_grid, no_steady_beat, sample_analysis, steady_grid


@pytest.mark.parametrize(("confidence", "said"), [
    (0.0, "0 %"), (0.004, "0 %"), (0.005, "1 %"), (0.494, "49 %"), (0.496, "50 %"), (0.9, "90 %"),
    (0.994, "99 %"), (0.995, "99 %"), (0.9999999, "99 %"), (1.0, "99 %"),
])  # fmt: skip
def test_a_probability_is_never_rounded_up_to_certainty(confidence: float, said: str) -> None:
    assert percent(confidence) == said


@pytest.mark.parametrize(("value", "said"), [
    (0.0, "0.00 s"), (3.42857, "3.43 s"), (-0.0712, "−0.07 s"), (59.9, "59.90 s"),
    (60.0, "1 min 00.00 s"), (64.2, "1 min 04.20 s"), (3725.5, "62 min 05.50 s"),
])  # fmt: skip
def test_seconds(value: float, said: str) -> None:
    assert seconds(value) == said


@pytest.mark.parametrize(("value", "digits", "said"), [
    (3.2, 0, "+3"), (-3.2, 1, "−3.2"), (0.04, 1, "0.0"), (-0.04, 1, "0.0"), (0.0, 0, "0"),
])  # fmt: skip
def test_signed_numbers_have_a_real_minus_and_no_minus_zero(value: float, digits: int, said: str) -> None:
    assert signed(value, digits) == said


def test_sentences_and_topics() -> None:
    assert [sentence(text) for text in ("only drums", " It hums. ", "")] == ["Only drums.", "It hums.", ""]
    assert sentence("kick drum.wav: the cut") == "kick drum.wav: the cut."  # a name stays as it is
    lines = ["Tempo: a", "Key: b", "Tempo: c"]
    assert topics(lines) == ("tempo", "key")


@pytest.mark.parametrize(
    ("mode", "same", "other"), [("harmonic minor", "minor", "major"), ("mixolydian", "major", "minor")]
)
def test_a_kind_of_the_same_key_is_no_rival(mode: str, same: str, other: str) -> None:
    """C harmonic minor is a C minor (Kostka and Payne, "Tonal Harmony": from memory)."""
    likely = (KeyCandidate("C", same, 0.97), KeyCandidate("C", other, 0.02))
    key = replace(sample_analysis().key, tonic="C", mode=mode, confidence=0.97, alternatives=likely)
    assert rival_keys(key) == [likely[1]]


def test_the_plain_key_is_a_rival_of_a_mode_that_is_told_apart_from_it() -> None:
    own, plain = KeyCandidate("C", "mixolydian", 0.5), KeyCandidate("C", "major", 0.4)
    key = replace(
        sample_analysis().key, tonic="C", mode="mixolydian", confidence=0.5, alternatives=(own, plain)
    )
    assert rival_keys(key) == [plain]


@pytest.mark.parametrize(
    ("bpm", "duration_s", "said"),
    [
        (140.0, 200.0, "140 BPM"),
        (92.5, 200.0, "92.5 BPM"),
        (141.3402, 60.0, "141.34 BPM"),  # 0.0002 / 141.34 * 60 s = 0.08 ms
        (141.3402, 1200.0, "141.3402 BPM"),  # 1.7 ms
        (94.8916, 180.0, "94.892 BPM"),
        (94.8916, 20.0, "94.89 BPM"),
    ],
)
def test_a_tempo_has_the_digits_that_hold_for_a_millisecond_and_no_more(
    bpm: float, duration_s: float, said: str
) -> None:
    assert tempo_line(steady_grid(bpm), duration_s) == said
    off_s = duration_s * abs(float(said.split()[0]) / bpm - 1)
    assert off_s <= 0.001


def test_each_tempo_of_two_has_the_digits_that_hold_over_its_part() -> None:
    """142.97 for 64 bars: at 143 the new tempo would begin 22 ms early, which is heard (common practice)."""
    grid = moving_grid((256, 142.97), (8, 150.1185))
    assert tempo_course(grid) == "142.97 BPM, from bar 65 on 150.1 BPM"  # 3 s
    held_s = 256 * 60 / 142.97
    assert abs(142.97 / 143 - 1) * held_s > 0.02
    anew = replace(
        grid, tempo_curve=tuple((at, 142.97) for at, _ in grid.tempo_curve), restarts=(BeatRestart(1, 2),)
    )
    assert tempo_course(anew) == "142.97 BPM, beat starts anew at bar 65"


def test_a_fault_of_the_signal_is_named_by_what_it_is() -> None:
    flags = [
        Flag("clipping", "warning", "Clipped.", "Ask."),
        Flag("very-quiet", "warning", "Quiet.", "Ask."),
        Flag("hum", "note", "Hum.", "Ask."),
    ]
    lines = ["Key: a", "Signal: b", "File: c"]
    assert ear_words(lines, flags) == ("key", "clipped", "very quiet", "file")
    assert ear_words(lines, []) == ("key", "signal", "file")  # a report without its flags
    whole = "File: Cut off: the header declares 9 bytes, 3 are missing. It ends in bar 2."
    assert ear_words([whole, "Key: none."], []) == ("incomplete file", "key")


def test_a_fault_is_told_with_its_places_in_bars_and_seconds() -> None:
    grid = steady_grid(120.0, bar_one_s=2.0)
    places = ((4.1, 4.11), (8.5, 8.6))
    holes = Flag("dropout", "warning", "Dropouts.", "Ask.", amount=4.0, unit="places", places_s=places)
    assert flag_words(holes, grid) == "Dropouts at bar 2 (4.10 s), bar 4 (8.50 s) and 2 more."
    long = replace(holes, text="A voice.", unit="s", amount=6.0, places_s=((4.5, 10.02), (12.0, 13.0)))
    assert flag_words(long, grid) == (
        "A voice at bars 2 to 4 (4.50 s to 10.02 s) and bar 6 (12.00 s to 13.00 s)."
    )
    assert flag_words(long, no_steady_beat()) == "A voice at 4.50 s to 10.02 s and 12.00 s to 13.00 s."
    assert flag_words(replace(holes, places_s=()), grid) == "Dropouts."
