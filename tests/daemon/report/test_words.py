"""Numbers as people say them."""

from __future__ import annotations

import pytest

from daemon.report.words import percent, seconds, sentence, signed, topics


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
