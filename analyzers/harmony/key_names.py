"""Read a key that a person typed: "Ebm", "E flat minor", "F# dorian", "blues in A".

`parse_key` spells it the usual way (`analyzers.harmony.spelling`), so that keys can be compared: D sharp
minor is E flat minor. `typed_key` keeps what the person wrote.
"""

from __future__ import annotations

import re

from analyzers.harmony.spelling import (
    ACCIDENTAL_WORDS,
    SCALES,
    pitch_class_of,
    tonic_name,
    written_tonic,
)

MODE_WORDS = {
    "": "major",
    "M": "major",
    "maj": "major",
    "ionian": "major",
    "m": "minor",
    "min": "minor",
    "aeolian": "minor",
    "natural minor": "minor",
    **{name: name for name in SCALES},
}
SHIFT = {None: 0, "b": -1, "♭": -1, "flat": -1, "#": 1, "♯": 1, "sharp": 1}
KEY_TEXT = re.compile(r"\s*([A-Ga-g])[ _-]*(b|#|♭|♯|flat|sharp)?[ _-]*([A-Za-z][A-Za-z _-]*)?\s*")
BLUES_TEXT = re.compile(r"\s*(?:(minor|major)[ _-]+)?blues[ _-]+in[ _-]+(.+)", re.IGNORECASE)


def parse_key(text: str) -> tuple[str, str] | None:
    """(tonic, mode) such as ("E flat", "minor"); None when it is not a key.

    A letter alone is a major key: "E" is E major, "Em" and "e minor" are E minor. A blues has the key of its
    tonic, major or minor (`says_blues`).
    """
    found = _spelled(text)
    return found and (tonic_name(pitch_class_of(found[0]), found[1]), found[1])


def typed_key(text: str) -> tuple[str, str] | None:
    """The same, its tonic spelled as it was typed where a signature can be written for it: "D#m" is
    ("D sharp", "minor"), "E# minor" ("F", "minor").
    """
    found = _spelled(text)
    return found and (written_tonic(*found), found[1])


def _spelled(text: str) -> tuple[str, str] | None:
    if blues := BLUES_TEXT.fullmatch(text):
        return _of_blues(*blues.groups())
    match = KEY_TEXT.fullmatch(text)
    if not match:
        return None
    letter, accidental, mode_text = match.groups()
    words = re.sub(r"[ _-]+", " ", mode_text or "").strip()
    mode = MODE_WORDS.get(words) or MODE_WORDS.get(words.lower())
    if mode is None:
        return None
    return letter.upper() + ACCIDENTAL_WORDS[SHIFT[accidental]], mode


def says_blues(text: str) -> bool:
    """Is it a blues that is named: "blues in A", "minor blues in C sharp"?"""
    return BLUES_TEXT.fullmatch(text) is not None and parse_key(text) is not None


def _of_blues(third: str | None, words: str) -> tuple[str, str] | None:
    """``third``: "minor" or "major", where it is said before. Of major and minor keys only."""
    key = None if BLUES_TEXT.fullmatch(words) else _spelled(words)
    if not key or key[1] not in ("major", "minor") or (third and key[1] == "minor" != third.lower()):
        return None
    return key[0], third.lower() if third else key[1]
