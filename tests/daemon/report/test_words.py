"""Numbers as people say them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import Analysis, Flag, KeyCandidate, TempoCandidate, Tuning
from daemon.core.names import tempo_words
from daemon.report.words import (
    check_by_ear,
    ear_words,
    percent,
    rival_keys,
    seconds,
    sentence,
    signed,
    tempo_line,
    topics,
)
from tests.daemon.sample_report import key_of, sample_analysis, sample_report, steady_grid


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
    lines = ["Tempo: a", "Key: b", "Tempo: c"]
    assert topics(lines) == ("tempo", "key")


def ears(analysis: Analysis, topic: str) -> list[str]:
    """What is to be checked by ear about one topic."""
    lines = check_by_ear(analysis, below=0.8, tuning_flag_cents=8.0)
    return [line for line in lines if line.startswith(topic)]


@pytest.mark.parametrize(
    ("mode", "same", "other"), [("harmonic minor", "minor", "major"), ("mixolydian", "major", "minor")]
)
def test_a_kind_of_the_same_key_is_no_rival(mode: str, same: str, other: str) -> None:
    """C harmonic minor is a C minor (Kostka and Payne, "Tonal Harmony": from memory)."""
    likely = (KeyCandidate("C", same, 0.97), KeyCandidate("C", other, 0.02))
    key = replace(sample_analysis().key, tonic="C", mode=mode, confidence=0.97, alternatives=likely)
    assert rival_keys(key) == [likely[1]]


def test_the_two_likeliest_rivals_are_named_and_no_third() -> None:
    names = ("F sharp major", "C minor", "A flat major", "D minor")
    chances = (0.2, 0.12, 0.1, 0.005)
    own = key_of(confidence=0.5)
    rivals = [KeyCandidate(*n.rsplit(" ", 1), p) for n, p in zip(names, chances, strict=True)]
    [line] = ears(sample_analysis(key=replace(own, alternatives=(own.alternatives[0], *rivals))), "Key")
    assert "could be F sharp major (20 %) or C minor (12 %)." in line
    assert "A flat" not in line

    tempi = tuple(TempoCandidate(bpm, p) for bpm, p in ((140, 0.5), (70, 0.2), (93.33, 0.15), (105, 0.1)))
    grid = replace(steady_grid(), tempo_confidence=0.5, tempo_alternatives=tempi)
    [line] = ears(sample_analysis(grid=grid), "Tempo")
    assert "could be 70 (20 %) or 93.33 (15 %)." in line
    assert "105" not in line


def test_a_rival_less_probable_than_one_in_a_hundred_is_not_named() -> None:
    own = key_of(confidence=0.5)
    rivals = (KeyCandidate("C", "minor", 0.01), KeyCandidate("D", "minor", 0.0099))
    [line] = ears(sample_analysis(key=replace(own, alternatives=rivals)), "Key")
    assert "C minor (1 %)" in line
    assert "D minor" not in line


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


def test_a_moving_tempo_is_its_whole_range_everywhere() -> None:
    curve = ((0.0, 94.1), (20.0, 96.55), (40.0, 93.93))
    grid = replace(steady_grid(94.9), constant_tempo=False, tempo_curve=curve)
    moving = sample_analysis(grid=grid)
    assert tempo_line(grid, 60.0) == "94 to 97 BPM, moving"
    assert ears(moving, "Tempo")[0].startswith("Tempo: it moves, 94 to 97 BPM. Take the tempo map, not one")
    report = sample_report(moving)
    assert "94 to 97 BPM" in report.summary()["line"]
    assert tempo_words(report.summary()) == "94 to 97 BPM, moving"
    assert tempo_words({"tempo_bpm": 93.5}) == "93.5 BPM"
    assert tempo_words({}) == "no tempo"


@pytest.mark.parametrize(
    ("cents", "said"), [(7.9, False), (8.0, False), (-8.0, False), (8.1, True), (-8.1, True)]
)
def test_a_tuning_is_told_from_beyond_the_limit_on(cents: float, said: bool) -> None:
    """`tuning_flag_cents` in the settings: "further off than this" is told."""
    tuning = Tuning(cents, 440 * 2 ** (cents / 1200), 0.95)
    assert bool(ears(sample_analysis(tuning=tuning), "Tuning")) == said


def test_a_fault_of_the_signal_is_named_by_what_it_is() -> None:
    flags = [
        Flag("clipping", "warning", "Clipped.", "Ask."),
        Flag("very-quiet", "warning", "Quiet.", "Ask."),
        Flag("hum", "note", "Hum.", "Ask."),
    ]
    lines = ["Key: a", "Signal: b", "File: c"]
    assert ear_words(lines, flags) == ("key", "clipped", "very quiet", "file")
    assert ear_words(lines, []) == ("key", "signal", "file")  # a report without its flags
