"""Read a key that a person typed: "Ebm", "E flat minor", "F# dorian", "blues in A".

The answer is spelled the usual way (`analyzers.harmony.spelling`), so D sharp minor becomes E flat minor.
"""

from __future__ import annotations

import re

from analyzers.harmony.spelling import NATURAL, SCALES, pitch_class_of, tonic_name

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
    pitch_class = (NATURAL[letter.upper()] + SHIFT[accidental]) % 12
    return tonic_name(pitch_class, mode), mode


def says_blues(text: str) -> bool:
    """Is it a blues that is named: "blues in A", "minor blues in C sharp"?"""
    return BLUES_TEXT.fullmatch(text) is not None and parse_key(text) is not None


def _of_blues(third: str | None, words: str) -> tuple[str, str] | None:
    """``third``: "minor" or "major", where it is said before. Of major and minor keys only."""
    key = None if BLUES_TEXT.fullmatch(words) else parse_key(words)
    if not key or key[1] not in ("major", "minor") or (third and key[1] == "minor" != third.lower()):
        return None
    mode = third.lower() if third else key[1]
    return tonic_name(pitch_class_of(key[0]), mode), mode
