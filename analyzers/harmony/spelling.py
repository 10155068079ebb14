"""Names of notes, scales and chords: one spelling for each key, the usual one unless a person chose another.

A pitch class is 0..11 from C. Names live on the line of fifths (F = -1, C = 0, G = 1 ... F sharp = 6,
B flat = -2), where a key signature of ``sf`` sharps (negative: flats) is the seven names from sf - 1 on.
Of two spellings of a key the one with fewer accidentals is usual; at six accidentals each the studio
writes F sharp major and E flat minor (common practice). Signatures have seven at most. Scales: any handbook
of music theory.
"""

from __future__ import annotations

from functools import lru_cache

LETTERS = "CDEFGAB"
NATURAL = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
ACCIDENTAL_WORDS = {-2: " double flat", -1: " flat", 0: "", 1: " sharp", 2: " double sharp"}

SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "minor": (0, 2, 3, 5, 7, 8, 10),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
}
# fifths from the tonic to the tonic of the major key with the same signature
_SIGNATURE_SHIFT = {
    "major": 0,
    "minor": -3,
    "dorian": -2,
    "phrygian": -4,
    "mixolydian": -1,
    "harmonic minor": -3,
}
# six accidentals either way: tonic position on the line of fifths
_AT_SIX = {"major": 6, "minor": -3, "dorian": 8, "phrygian": -2, "mixolydian": 7, "harmonic minor": -3}
# Notes sung in a blues: the minor pentatonic scale with the lowered fifth; in a major blues together with the
# major pentatonic scale, so both thirds; in a minor blues with the rest of the key (common practice)
BLUES_STEPS = {False: (0, 2, 3, 4, 5, 6, 7, 9, 10), True: (0, 2, 3, 5, 6, 7, 8, 10)}  # by "minor"
MOST_MARKS = 7  # sharps or flats of a signature (any handbook)
FEWEST, MOST = -8, 1  # first places on the line of fifths that keep double flats and sharps out
MINOR_BELOW, MAJOR_BELOW = 3, 5  # places below the signature that chord roots reach down to

CHORD_SUFFIXES = {
    "maj": "",
    "min": "m",
    "7": "7",
    "maj7": "maj7",
    "min7": "m7",
    "sus4": "sus4",
    "sus2": "sus2",
    "dim": "dim",
    "aug": "aug",
}


def fifths_name(position: int) -> str:
    """Name in words of a place on the line of fifths: 0 'C', -3 'E flat', 6 'F sharp'."""
    return "FCGDAEB"[(position + 1) % 7] + ACCIDENTAL_WORDS[(position + 1) // 7]


def fifths_place(label: str) -> int:
    """Place on the line of fifths of the note that a chord label begins with: 'Ebm7' -3, 'F#' 6."""
    marks = label[1 : len(label) - len(label[1:].lstrip("b#"))]
    return "FCGDAEB".index(label[0]) - 1 + 7 * (marks.count("#") - marks.count("b"))


def tonic_position(pitch_class: int, mode: str) -> int:
    """Place on the line of fifths where the key on this pitch class is usually written."""
    shift = _SIGNATURE_SHIFT[mode]
    places = [p for p in range(-11, 13) if p * 7 % 12 == pitch_class % 12]
    least = min(abs(p + shift) for p in places)
    if least == 6:
        return _AT_SIX[mode]
    return next(p for p in places if abs(p + shift) == least)


def tonic_name(pitch_class: int, mode: str) -> str:
    """'E flat' for pitch class 3 in minor, 'D sharp' never."""
    return fifths_name(tonic_position(pitch_class, mode))


def tonic_beside(pitch_class: int, mode: str, tonic: str, own_mode: str) -> str:
    """The tonic of another key as it is written beside the key on `tonic`: in its notes if they share them.

    Beside E flat minor the major key on the same notes is G flat, not F sharp.
    """
    if home_of(pitch_class, mode) != home_of(pitch_class_of(tonic), own_mode):
        return tonic_name(pitch_class, mode)
    return next(n for n in scale_names(tonic, own_mode) if pitch_class_of(n) == pitch_class % 12)


def signature(tonic: str, mode: str) -> int:
    """Sharps (positive) or flats (negative) of the key on a spelled tonic: -6 for E flat minor."""
    return fifths_place(short_name(tonic)) + _SIGNATURE_SHIFT[mode]


def written_tonic(tonic: str, mode: str) -> str:
    """The tonic as it is spelled, where there is a signature for it, else the usual one."""
    within = abs(signature(tonic, mode)) <= MOST_MARKS
    return tonic if within else tonic_name(pitch_class_of(tonic), mode)


def home_of(pitch_class: int, mode: str) -> int:
    """Tonic of the major key with the same signature: 0 (C) for A minor."""
    return signature(tonic_name(pitch_class, mode), mode) * 7 % 12


@lru_cache(1024)
def pitch_class_of(name: str) -> int:
    """Pitch class of 'E flat', 'Eb', 'F#' or 'F sharp'."""
    letter, rest = (
        name[0].upper(),
        name[1:].lower().replace("double flat", "bb").replace("double sharp", "##"),
    )
    rest = rest.replace("flat", "b").replace("sharp", "#")
    return (NATURAL[letter] + rest.count("#") - rest.count("b")) % 12


def scale_names(tonic: str, mode: str) -> tuple[str, ...]:
    """The seven notes from a spelled tonic up, one of each letter: ('E flat', 'F', 'G flat', ...)."""
    pitch_class, first = pitch_class_of(tonic), LETTERS.index(tonic[0])
    names = []
    for degree, step in enumerate(SCALES[mode]):
        letter = LETTERS[(first + degree) % 7]
        accidental = (pitch_class + step - NATURAL[letter] + 6) % 12 - 6
        names.append(letter + ACCIDENTAL_WORDS[accidental])
    return tuple(names)


def blues_names(tonic: str, minor: bool) -> tuple[str, ...]:
    """Notes of a blues from a spelled tonic up, no double accidentals: ('A', 'B', 'C', 'C sharp', ...)."""
    pitch_class, first = pitch_class_of(tonic), fifths_place(short_name(tonic)) - 6
    return tuple(note_name(pitch_class + step, min(max(first, FEWEST), MOST)) for step in BLUES_STEPS[minor])


def scale_pitch_classes(tonic: str, mode: str) -> frozenset[int]:
    """Which of the twelve pitch classes (C = 0) the scale on a spelled tonic holds."""
    return frozenset((pitch_class_of(tonic) + step) % 12 for step in SCALES[mode])


def is_minor(mode: str) -> bool:
    """Does the scale have a minor third?"""
    return SCALES[mode][2] == 3


def note_name(pitch_class: int, first: int) -> str:
    """Name in words of any note, taken from the twelve places on the line of fifths from `first` on."""
    return fifths_name(next(p for p in range(first, first + 12) if p * 7 % 12 == pitch_class % 12))


def first_fifth(tonic: str, mode: str) -> int:
    """Where the twelve places begin that the notes and chords of a key are named from (`note_name`)."""
    return _first_of(signature(tonic, mode), is_minor(mode))


def _first_of(sf: int, minor: bool) -> int:
    """No note far from a key of many flats gets a double flat: D is read at a glance, not E double flat."""
    return max(sf - (MINOR_BELOW if minor else MAJOR_BELOW), FEWEST)


def chord_label(root: int, quality: str, sf: int = 0, minor: bool = False) -> str:
    """Label such as 'Bbm7', its root spelled as the key would: ``sf`` accidentals, ``minor`` or not.

    Twelve places on the line of fifths around the key; in minor the raised seventh (G sharp in
    A minor) comes before the lowered first (A flat).
    """
    return short_name(note_name(root, _first_of(sf, minor))) + CHORD_SUFFIXES[quality]


def short_name(note: str) -> str:
    """'Eb' for 'E flat', 'F##' for 'F double sharp'."""
    short = note.replace(" double flat", "bb").replace(" double sharp", "##")
    return short.replace(" flat", "b").replace(" sharp", "#")


@lru_cache(1024)
def parse_chord(label: str) -> tuple[int, str] | None:
    """(root pitch class, quality) of one of our labels; None for 'N'."""
    if label == "N":
        return None
    root = label[0]
    rest = label[1:]
    while rest[:1] in ("b", "#"):
        root, rest = root + rest[0], rest[1:]
    quality = next(q for q, suffix in CHORD_SUFFIXES.items() if suffix == rest)
    return pitch_class_of(root), quality


def blues_name(tonic: str, minor: bool) -> str:
    """As it is said: "blues in A", "minor blues in A"."""
    return f"{'minor ' if minor else ''}blues in {tonic}"


def key_name(tonic: str | None, mode: str | None) -> str | None:
    """As it is said: "E flat minor"; None when there is no key."""
    return f"{tonic} {mode}" if tonic and mode else None
