"""Strangers' text. Source of what is hidden: the Unicode Character Database's general categories (UAX 44)."""

from __future__ import annotations

import json
import logging
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.logs import JsonFormatter, PlainFormatter
from daemon.core.text import BLANK, file_name, lines, one_line, tidy, valid

ANY_TEXT = st.text(st.characters(exclude_categories=()))
BIDIRECTIONAL = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"  # UAX 9, table 4
ZERO_WIDTH = "\u200b\u2060\ufeff"
SEPARATORS = "\u2028\u2029\x85\x0b\x0c"  # UAX 14: they end a line


def test_every_code_point_is_shown_or_escaped_by_its_category() -> None:
    hidden = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    for start in range(0, sys.maxunicode + 1, 4096):
        chars = [chr(code) for code in range(start, start + 4096) if code != ord("|")]
        shown = one_line("|".join(chars)).split("|")
        for char, form in zip(chars, shown, strict=True):
            code = ord(char)
            if unicodedata.category(char) in hidden or char in BLANK:
                assert form.isascii(), hex(code)
                assert form.isprintable(), hex(code)
                assert int(form.lstrip("\\xuU"), 16) in (code, code - 0xDC00), hex(code)
            else:
                assert form == char, hex(code)


@pytest.mark.parametrize("char", [*BIDIRECTIONAL, *ZERO_WIDTH, *SEPARATORS, "\x00", "\x1b", "\x7f", "\x9b"])
def test_what_turns_round_hides_or_breaks_a_line_is_escaped(char: str) -> None:
    assert one_line(f"a{char}b") == f"a{char.encode('unicode_escape').decode()}b"
    assert char not in lines(f"a{char}b")
    assert char not in tidy(f"a{char}b", 80)


@given(ANY_TEXT)
def test_every_form_but_the_last_is_stable_and_never_fails(text: str) -> None:
    for form in (one_line, lines, valid):
        assert form(form(text)) == form(text)
        form(text).encode()
    assert len(one_line(text).splitlines()) <= 1
    assert lines(text).count("\n") == text.count("\n")
    assert len(tidy(text, 20)) <= 20


@pytest.mark.parametrize(
    "text",
    [
        "\N{WOMAN}\u200d\N{PERSONAL COMPUTER}",  # UTS 51: emoji ZWJ sequences
        "\N{WHITE FLAG}\ufe0f\u200d\N{RAINBOW}",
        "\N{MAN}\N{EMOJI MODIFIER FITZPATRICK TYPE-3}\u200d\N{COOKING}",
        "\u0646\u0627\u0645\u0647\u200c\u0627\u06cc",  # RFC 5892 A.1: Persian, "a letter"
        "\u0915\u094d\u200d\u0937",  # RFC 5892 A.2: after a virama
        "\u0915\u094d\u200c\u0937",
    ],
)
def test_joiners_stay_where_they_join(text: str) -> None:
    assert one_line(text) == text


@pytest.mark.parametrize("text", ["a\u200db", "a\u200cb", "\u200da", "a\u200d", "7\u200d8", "\u200c"])
def test_joiners_that_join_nothing_are_escaped(text: str) -> None:
    assert not {"\u200c", "\u200d"} & set(one_line(text))


def test_a_file_name_is_the_last_part_in_one_form() -> None:
    assert file_name("producer/Ébène.wav") == file_name(unicodedata.normalize("NFD", "Ébène.wav"))
    assert file_name("a\u200b.wav") == "a\\u200b.wav" != file_name("a.wav")
    assert file_name("a\n.wav") == "a\\x0a.wav"
    assert file_name("caf\udce9.wav") == "caf\\xe9.wav"


def test_short_texts_are_folded_and_capped() -> None:
    assert tidy(" a\x00b\r\n\tc\u202ed\x1b[0m ", 300) == "ab cd[0m"
    assert len(tidy("x" * 10_000, 300)) == 300


def test_json_is_exact_and_the_terminal_is_safe() -> None:
    name = "a\u202egpj.\x1b[31m\udcff\nwav"
    record = logging.LogRecord("x", logging.INFO, "", 0, "%s", ("drop settled",), None)
    record.facts = {"drop": name}

    assert json.loads(JsonFormatter().format(record))["drop"] == name
    assert JsonFormatter().format(record).isascii()
    assert PlainFormatter().format(record).endswith("(drop: a\\u202egpj.\\x1b[31m\\xff\\x0awav)")
    assert json.loads(json.dumps(valid(name))) == name.replace("\udcff", "\\xff")
