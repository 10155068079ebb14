"""Text that strangers wrote (file names, tags, system messages), made fit to be read.

A name can hide or turn round what stands beside it, or drive a terminal. Four forms, each for one kind of
place; all but `tidy` may be applied twice without harm:

* `one_line`: a line of a log, terminal, notification or page; what cannot be seen is escaped;
* `lines`: the same for text of several lines, such as a report's values or a trace;
* `file_name`: a drop's name, without its folder;
* `tidy`: short texts inside a file, such as tags; what cannot be seen is left out.

JSON escapes by itself and stays exact: `valid` only replaces what is no Unicode at all.

Sources: Unicode 15 general categories (UAX 44, table 12); where U+200C and U+200D join: RFC 5892 appendix
A.1 and A.2 (after a virama), between Arabic letters, and in emoji sequences (UTS 51).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""General categories that draw nothing, or something else everywhere."""
BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u3164\uffa0")
"""Default-ignorable letters and marks. (Variation selectors choose a drawing: they are kept.)"""
JOINERS = frozenset("\u200c\u200d")
VIRAMA = 9  # canonical combining class


def one_line(value: Any) -> str:
    """One line in which everything can be seen: the rest as ``\\xNN``, ``\\uNNNN`` or ``\\UNNNNNNNN``."""
    text = str(value)
    return text if _all_shown(text) else "".join(_shown(text, at) for at in range(len(text)))


def lines(value: Any) -> str:
    """`one_line` that keeps line feeds and tabs."""
    return "".join(part if part in "\n\t" else one_line(part) for part in re.split(r"([\n\t])", str(value)))


def file_name(path: str | Path) -> str:
    """Name of a file or folder without the path to it, NFC, on one line: two names never look the same."""
    return one_line(unicodedata.normalize("NFC", Path(path).name or str(path)))


def tidy(text: str, limit: int) -> str:
    """On one line, NFC, what cannot be seen left out, white space folded, at most ``limit`` characters."""
    kept = unicodedata.normalize("NFC", text[: 4 * limit])
    plain = "".join(" " if char.isspace() else char for char in kept)
    shown = " ".join("".join(char for char in plain if not is_hidden(char)).split())
    return shown if len(shown) <= limit else f"{shown[: limit - 1]}…"


def count(number: int, word: str, words: str = "") -> str:
    """'1 drop', '3 drops'; `words`: a plural that is not made by an s."""
    return f"{number} {word if number == 1 else words or word + 's'}"


def shortened(rows: Sequence[str], most: int, indent: str = "  ") -> list[str]:
    """At most so many rows; then how many more there are."""
    more = len(rows) - most
    return list(rows) if more <= 0 else [*rows[:most], f"{indent}and {more} more"]


def enumerated(names: Sequence[str], most: int) -> str:
    """'a, b, c and 4 more'."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def valid(text: str) -> str:
    """The exact text for JSON that any program reads: only bytes that are no UTF-8 become ``\\xNN``."""
    return re.sub("[\ud800-\udfff]", lambda found: _escape(found[0]), text)


def is_hidden(char: str) -> bool:
    """True for a character that cannot be seen: controls, formats, separators, surrogates, fillers."""
    return char in BLANK or unicodedata.category(char) in HIDDEN


def can_be_seen(text: str, at: int) -> bool:
    """True for what is drawn, and for a joiner that changes how its neighbours are drawn."""
    return not is_hidden(text[at]) or (text[at] in JOINERS and _joins(text, at))


def _all_shown(text: str) -> bool:
    """Quick: ``isprintable`` refuses all hidden categories (and wide spaces, which are looked at singly)."""
    return text.isprintable() and (text.isascii() or BLANK.isdisjoint(text))


def _shown(text: str, at: int) -> str:
    return text[at] if can_be_seen(text, at) else _escape(text[at])


def _escape(char: str) -> str:
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that os.fsdecode could not read as UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _joins(text: str, at: int) -> bool:
    """Does the joiner at ``at`` change how its neighbours are drawn, or is it only there unseen?"""
    before, after = text[at - 1 : at], text[at + 1 : at + 2]
    if not before or not after:
        return False
    if unicodedata.combining(before) == VIRAMA:
        return unicodedata.category(after)[0] == "L"
    if unicodedata.bidirectional(before) == unicodedata.bidirectional(after) == "AL":
        return True
    emoji = before == "\ufe0f" or _is_symbol(before)
    return text[at] == "\u200d" and emoji and _is_symbol(after)


def _is_symbol(char: str) -> bool:
    return not char.isascii() and unicodedata.category(char) in {"So", "Sk", "Sm"}
