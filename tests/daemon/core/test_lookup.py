"""Which of many names a person means."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.errors import WrongRequest
from daemon.core.lookup import fitting, the_one

BEATS = {
    "amber": {"amber.wav", "amber"},
    "amber (2)": {"amber.wav", "amber"},
    "Amber lake": set(),
    "\u00e9t\u00e9": {"\u00e9t\u00e9.mp3"},
    "Ete": set(),
    "_~1a2b3c4d": {
        "\u05e9\u05d9\u05e8.wav",
        "\u05e9\u05d9\u05e8",
    },  # as an older version called a Hebrew name
    "\u591c\u306e\u6b4c": set(),
}


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("amber", ["amber"]),
        ("AMBER (2)", ["amber (2)"]),
        ("amber.wav", ["amber", "amber (2)"]),
        ("amb", ["Amber lake", "amber", "amber (2)"]),
        ("amber l", ["Amber lake"]),
        ("\u00e9t\u00e9", ["\u00e9t\u00e9"]),
        (unicodedata.normalize("NFD", "\u00e9t\u00e9"), ["\u00e9t\u00e9"]),
        ("Ete", ["Ete"]),
        ("ETE", ["Ete", "\u00e9t\u00e9"]),
        ("\u05e9\u05d9\u05e8", ["_~1a2b3c4d"]),
        ("\u05e9\u05b4\u05c1\u05d9\u05e8.WAV", ["_~1a2b3c4d"]),
        ("\u591c", ["\u591c\u306e\u6b4c"]),
        ("zinc", []),
        ("", []),
        ("\u0301", []),
    ],
)
def test_what_a_name_fits(wanted: str, found: list[str]) -> None:
    assert fitting(wanted, BEATS) == found


def test_several_are_listed_and_none_is_said() -> None:
    many = {f"beat {k}": set() for k in range(12)}
    with pytest.raises(
        WrongRequest, match=r"several fit: beat 0, beat 1, .* and 7 more; give more of the name"
    ):
        the_one("beat", many, "ready beat", "look at the board")
    with pytest.raises(WrongRequest, match="no ready beat is called so; look at the board"):
        the_one("zinc", many, "ready beat", "look at the board")


@given(st.lists(st.text(min_size=1), min_size=1, max_size=8, unique=True))
def test_every_proper_name_is_found_by_itself(names: list[str]) -> None:
    for name in names:
        same = [n for n in names if unicodedata.normalize("NFC", n) == unicodedata.normalize("NFC", name)]
        assert fitting(name, {n: set() for n in names}) == sorted(same)
