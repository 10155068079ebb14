"""The null test as a line that the engineer can act on."""

from __future__ import annotations

import pytest

from daemon.report.null_words import needs_ears, null_lines, null_words
from daemon.report.parts import NullResult, StemLine

PLAIN = {
    "kind": "same",
    "residual_db": -90.0,
    "unexplained_db": -90.0,
    "gain_db": 0.0,
    "delay_s": 0.0,
    "inverted": False,
    "gain_range_db": 0.0,
}


def place(at_s: float) -> str:
    return f"bar {round(at_s / 2) + 1}"


def words(**changes) -> str:
    return null_words(NullResult(**{**PLAIN, **changes}), place)


MASTERED = {"kind": "processed", "residual_db": -12.0, "unexplained_db": -20.0, "gain_range_db": 4.0}


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, "is the sum of the stems (it cancels to below −50 dB)"),
        (
            {"gain_db": 3.2},
            "is the sum of the stems (it cancels to below −50 dB); the stems are 3.2 dB lower",
        ),
        (
            {"gain_db": -1.0},
            "is the sum of the stems (it cancels to below −50 dB); the stems are 1.0 dB higher",
        ),
        (
            MASTERED | {"gain_db": 3.2, "only_in_bounce": ((0.0, 1.8),)},
            "has mastering on it (residual −12 dB); the stems are 3.2 dB lower and lack something at bar 1",
        ),
        (
            MASTERED | {"unexplained_db": -90.0, "only_in_stems": ((16.0, 18.0),)},
            "is the sum of the stems but for some moments (residual −12 dB); it lacks something at bar 9",
        ),
        (
            {"kind": "processed", "residual_db": -38.0},
            "is close to the sum of the stems (residual −38 dB): a lossy file or light processing",
        ),
        (
            {"kind": "different", "residual_db": -2.0, "unexplained_db": -3.0},
            "is not made of these stems alone (residual −2 dB, which no equaliser explains)",
        ),
        (
            {"delay_s": 0.0251, "inverted": True},
            "is the sum of the stems (it cancels to below −50 dB); "
            "its polarity is inverted against the stems: flip one of them before both play; "
            "it starts 25.1 ms later than the stems",
        ),
        (
            MASTERED | {"only_in_bounce": tuple((2.0 * k, 2.0 * k + 1) for k in range(5))},
            "has mastering on it (residual −12 dB); the stems lack something in 5 places, the first at bar 1",
        ),
    ],
)
def test_words(changes, text):
    assert words(**changes) == text


def test_only_what_does_not_simply_cancel_needs_ears():
    assert not needs_ears(NullResult(**PLAIN | {"gain_db": 6.0}))
    assert needs_ears(NullResult(**PLAIN | {"inverted": True}))
    assert needs_ears(NullResult(**PLAIN | {"delay_s": 0.01}))
    assert needs_ears(NullResult(**PLAIN | MASTERED))
    stems = [StemLine(name="bounce.wav", null=NullResult(**PLAIN | MASTERED)), StemLine(name="drums.wav")]
    assert null_lines(stems, place) == ["Stems: bounce.wav has mastering on it (residual −12 dB)."]
