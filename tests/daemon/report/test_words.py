"""Numbers as people say them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import Analysis, Flag, KeyCandidate, TempoCandidate, Tuning
from daemon.report.words import check_by_ear, ear_words, percent, seconds, sentence, signed, topics
from tests.daemon.sample_report import key_of, sample_analysis, steady_grid


@pytest.mark.parametrize(("confidence", "said"), [
    (0.0, "0 %"), (0.004, "0 %"), (0.005, "1 %"), (0.494, "49 %"), (0.496, "50 %"), (0.9, "90 %"),
    (0.994, "99 %"), (0.995, "99 %"), (0.9999999, "99 %"), (1.0, "100 %"),
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
