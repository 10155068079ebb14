"""Read a key that a person typed: "Ebm", "E flat minor", "F# dorian".

The answer is spelled the usual way (`analyzers.harmony.spelling`), so D sharp minor becomes E flat minor.
"""

from __future__ import annotations

import re

from analyzers.harmony.spelling import NATURAL, SCALES, tonic_name

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


def parse_key(text: str) -> tuple[str, str] | None:
    """(tonic, mode) such as ("E flat", "minor"); None when it is not a key.

    A letter alone is a major key: "E" is E major, "Em" and "e minor" are E minor.
    """
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
