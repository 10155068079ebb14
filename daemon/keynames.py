"""Key names as words: read what people type, spell a scale.

Keys are written "E flat minor": a letter, "flat" or "sharp" where needed, the mode. Scales
take one letter for each degree, so E flat minor has C flat and not B (any theory handbook).
"""

from __future__ import annotations

import re

LETTERS = "CDEFGAB"
NATURAL = dict(zip(LETTERS, (0, 2, 4, 5, 7, 9, 11), strict=True))
STEPS = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "minor": (0, 2, 3, 5, 7, 8, 10),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "lydian": (0, 2, 4, 6, 7, 9, 11),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "locrian": (0, 1, 3, 5, 6, 8, 10),
    "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
    "melodic minor": (0, 2, 3, 5, 7, 9, 11),
}
MODE_WORDS = {
    "": "major",
    "maj": "major",
    "M": "major",
    "m": "minor",
    "min": "minor",
    "ionian": "major",
    "aeolian": "minor",
    "natural minor": "minor",
    **{name: name for name in STEPS},
}
ACCIDENTALS = {-2: " double flat", -1: " flat", 0: "", 1: " sharp", 2: " double sharp"}
USUAL_MAJOR = ("C", "D flat", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B")
USUAL_MINOR = ("C", "C sharp", "D", "E flat", "E", "F", "F sharp", "G", "G sharp", "A", "B flat", "B")
KEY_TEXT = re.compile(r"\s*([A-Ga-g])[ _-]*(b|#|♭|♯|flat|sharp)?[ _-]*([A-Za-z][A-Za-z _-]*)?\s*")


def parse_key(text: str) -> tuple[str, str] | None:
    """'Ebm', 'E flat minor', 'F# dorian' -> ("E flat", "minor"); None when it is not a key.

    A single capital letter is a major key; "bm" is B minor.
    """
    match = KEY_TEXT.fullmatch(text)
    if not match:
        return None
    letter, accidental, mode_text = match.groups()
    words = re.sub(r"[ _-]+", " ", mode_text or "").strip()
    mode = MODE_WORDS.get(words) or MODE_WORDS.get(words.lower())
    if mode is None:
        return None
    shift = {None: 0, "b": -1, "♭": -1, "flat": -1, "#": 1, "♯": 1, "sharp": 1}[accidental]
    return letter.upper() + ACCIDENTALS[shift], mode


def pitch_class(tonic: str) -> int:
    """Semitones above C of a name such as "E flat" [0..11]."""
    shift = {"": 0, "flat": -1, "sharp": 1, "double flat": -2, "double sharp": 2}[tonic[1:].strip()]
    return (NATURAL[tonic[0]] + shift) % 12


def scale_of(tonic: str, mode: str) -> tuple[str, ...]:
    """The seven note names from the tonic up."""
    first, low = LETTERS.index(tonic[0]), pitch_class(tonic)
    names = []
    for degree, step in enumerate(STEPS[mode]):
        letter = LETTERS[(first + degree) % 7]
        shift = (low + step - NATURAL[letter] + 6) % 12 - 6
        names.append(letter + ACCIDENTALS[shift])
    return tuple(names)


def usual_name(tonic: str, mode: str) -> str:
    """The spelling of a major or minor key that studios use: E flat, not D sharp minor (common practice)."""
    usual = USUAL_MAJOR if mode == "major" else USUAL_MINOR
    return usual[pitch_class(tonic)]
