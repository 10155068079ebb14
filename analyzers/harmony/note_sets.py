"""Note sets for pitch correction: which notes are safe to pull a voice to, from where on.

A set begins with each section and where the key changes. It holds the scale of the key there (seven
notes, spelled as the key is) and, apart, notes that the beat's own chords sound beside it, such as
the raised seventh over the dominant of a minor key: a voice that follows the chord sings them, so
they must not be pulled away. What sounds for half a second or more in sure chords is said plainly; what
only doubtful or short ones sound is there, too, as a chart of the chords names them, but apart again; so is
the tone of a related scale that sounds as much as the one it stands for (`key_belief.favoured_tones`), and
the other form of a minor key's sixth or seventh where neither sounds: the singer decides.
The notes are as sure as the key together with the other keys that have the same ones (`sure_of_notes`): which
of them it is does not matter here. Without a key, or with notes that are not sure, the set is chromatic. In a
blues the set holds both thirds and the lowered fifth (`spelling.BLUES_STEPS`).

Source: scales as in `spelling`; the raised leading tone in minor: any handbook of harmony.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import pairwise

from analyzers.harmony.key_belief import OTHER_FORM, OTHER_FORM_IN, favoured_tones
from analyzers.harmony.key_change import in_force, key_at, sure_of_key
from analyzers.harmony.spelling import (
    blues_name,
    blues_names,
    fifths_name,
    fifths_place,
    first_fifth,
    note_name,
    parse_chord,
    pitch_class_of,
    scale_names,
    scale_pitch_classes,
)
from analyzers.harmony.voicing import QUALITIES
from analyzers.model import Analysis, Chord, Key, KeyCandidate, KeyChange

LEAST_S = 0.5
SHORTEST_S = 0.1  # a chart of chords writes none that is shorter
FIFTHS = {
    0: 0,
    2: 2,
    3: -3,
    4: 4,
    5: -1,
    6: -6,
    7: 1,
    8: 8,
    10: -2,
    11: 5,
}  # by semitones
FLATTEST, SHARPEST = -15, 19  # double flats and double sharps on the line of fifths


@dataclass(frozen=True, slots=True)
class NoteSet:
    """From `start_s` (of the analysis) on. `notes` is empty where nothing but chromatic is safe."""

    start_s: float
    letter: str | None  # of the section
    key: str | None  # "E flat minor"; "E flat minor or G flat major" where that is open and the notes are not
    notes: tuple[str, ...]  # from the tonic up
    beside: tuple[str, ...]  # further notes that the chords sound
    perhaps: tuple[str, ...] = ()  # others that they may sound: of chords that are short or not sure


@dataclass(frozen=True, slots=True)
class ChordBeside:
    """A chord with notes that the scale of its key does not hold, and where it stands (s of the analysis)."""

    label: str
    notes: tuple[str, ...]
    spans_s: tuple[tuple[float, float], ...]


def chords_beside(analysis: Analysis, sure: float) -> tuple[ChordBeside, ...]:
    """Those that sound longest first; `sure` as in `note_sets`, and as short ones are left out.

    A chord that is sure somewhere is named wherever it was heard.
    """
    found: dict[tuple[str, tuple[str, ...]], list[tuple[float, float]]] = {}
    sure_s: dict[tuple[str, tuple[str, ...]], float] = {}
    names_in = cache(partial(note_names, analysis))
    for chord in analysis.chords:
        parsed = parse_chord(chord.label)
        here = in_force(analysis.key, (chord.start_s + chord.end_s) / 2)
        tonic, mode = here.tonic, here.mode
        if parsed is None or tonic is None or mode is None or sure_of_notes(here) < sure:
            continue
        inside = {pitch_class_of(note) for note in key_notes(analysis.key, tonic, mode)}
        outside = [tone for tone in QUALITIES[parsed[1]] if (parsed[0] + tone) % 12 not in inside]
        if outside:
            names = names_in(tonic, mode)
            name = chord.label, tuple(names[(parsed[0] + tone) % 12] for tone in outside)
            found.setdefault(name, []).append((chord.start_s, chord.end_s))
            sure_s[name] = sure_s.get(name, 0.0) + (chord.end_s - chord.start_s) * (chord.confidence >= sure)
    longest = sorted(sure_s.items(), key=lambda item: -item[1])
    return tuple(ChordBeside(*name, tuple(found[name])) for name, long in longest if long >= LEAST_S)


def note_sets(analysis: Analysis, sure: float) -> tuple[NoteSet, ...]:
    """One for each section, and one more wherever the key changes inside a section.

    `sure`: least confidence of a key's notes, and of a chord, that is taken at its word.
    """
    letters = {section.start_s: section.letter for section in analysis.sections}
    first = min(letters, default=0.0)
    begins = sorted({first, *letters, *(c.at_s for c in analysis.key.changes if c.at_s > first)})
    return _sets(analysis, begins, sure, letters)


def key_sets(analysis: Analysis, sure: float) -> tuple[NoteSet, ...]:
    """The same, one for each key in turn."""
    return _sets(analysis, [0.0, *(c.at_s for c in analysis.key.changes)], sure, {})


def _sets(
    analysis: Analysis, begins: Sequence[float], sure: float, letters: Mapping[float, str]
) -> tuple[NoteSet, ...]:
    """One from each instant to the next; the first holds what sounds before it, too."""
    names_in = cache(partial(note_names, analysis))
    found: list[NoteSet] = []
    letter = None
    for start_s, end_s in pairwise([*begins, analysis.duration_s]):
        letter = letters.get(start_s, letter)
        here = in_force(analysis.key, start_s)
        tonic, mode = here.tonic, here.mode
        if tonic is None or mode is None:
            found.append(NoteSet(start_s, letter, None, (), ()))
        elif sure_of_notes(here) < sure:
            found.append(NoteSet(start_s, letter, f"{tonic} {mode}", (), ()))
        else:
            span, names = (start_s if found else -math.inf, end_s), names_in(tonic, mode)
            notes, blues = key_notes(analysis.key, tonic, mode), analysis.key.blues
            name = f"{tonic} {mode}" if blues is None else blues_name(tonic, blues.minor)
            if sure_of_key(here) < sure:
                name += "".join(f" or {c.tonic} {c.mode}" for c in same_notes(here)[:1])
            beside, perhaps = _beside(analysis.chords, span, sure, frozenset(map(pitch_class_of, notes)))
            perhaps += sorted(_related(analysis.key, here) - {*beside, *perhaps})
            more = tuple(names[p] for p in beside), tuple(names[p] for p in perhaps)
            found.append(NoteSet(start_s, letter, name, notes, *more))
    return tuple(found)


def _beside(
    chords: Sequence[Chord], span_s: tuple[float, float], sure: float, inside: frozenset[int]
) -> tuple[list[int], list[int]]:
    """Pitch classes beside the scale that the chords of a stretch sound: sure ones, and the others."""
    start_s, end_s = span_s
    heard, surely = dict.fromkeys(range(12), 0.0), dict.fromkeys(range(12), 0.0)  # seconds
    for chord in chords:
        parsed, length_s = parse_chord(chord.label), min(chord.end_s, end_s) - max(chord.start_s, start_s)
        if parsed is None or length_s < SHORTEST_S:
            continue
        for tone in QUALITIES[parsed[1]]:
            heard[(parsed[0] + tone) % 12] += length_s
            surely[(parsed[0] + tone) % 12] += length_s * (chord.confidence >= sure)
    beside = [p for p in heard if surely[p] >= LEAST_S and p not in inside]
    return beside, [p for p in heard if heard[p] and p not in inside and p not in beside]


def _related(key: Key, here: Key | KeyChange) -> set[int]:
    """What a key's own notes favour beside it; of a sixth or seventh that never sounds the other form; in
    harmonic minor the natural seventh in any case, as both are usual. Only the first key has a profile; none
    in a blues.
    """
    if here.tonic is None or here.mode is None or key.blues is not None:
        return set()
    tonic, own = pitch_class_of(here.tonic), (here.tonic, here.mode) == (key.tonic, key.mode)
    found = favoured_tones(tonic, here.mode, key.profile) if own and key.profile else set()
    if own and here.mode in OTHER_FORM_IN:
        steps = {(pitch_class_of(note) - tonic) % 12 for note in key.unheard}
        found |= {(tonic + OTHER_FORM[step]) % 12 for step in steps & OTHER_FORM.keys()}
    return found | ({(tonic + 10) % 12} if here.mode == "harmonic minor" else set())


def sure_of_notes(here: Key | KeyChange) -> float:
    """Probability that the notes of a key are right: of the key and of those with the same notes."""
    return sure_of_key(here) + sum(candidate.probability for candidate in same_notes(here))


def same_notes(here: Key | KeyChange) -> list[KeyCandidate]:
    """The other keys that it may be and that have its notes, most probable first; none beside a blues."""
    if here.tonic is None or here.mode is None or (isinstance(here, Key) and here.blues is not None):
        return []
    notes = scale_pitch_classes(here.tonic, here.mode)
    others = [c for c in here.alternatives if pitch_class_of(c.tonic) != pitch_class_of(here.tonic)]
    return [c for c in others if scale_pitch_classes(c.tonic, c.mode) == notes]


def key_notes(key: Key, tonic: str, mode: str) -> tuple[str, ...]:
    """What pitch correction may pull to in the key on `tonic`; in a blues both thirds, too."""
    return scale_names(tonic, mode) if key.blues is None else blues_names(tonic, key.blues.minor)


def note_names(analysis: Analysis, tonic: str, mode: str) -> dict[int, str]:
    """The one name that each pitch class has while a key is in force, wherever it is written.

    Notes of the key are spelled as the key is. Another one as the chords in that key spell it from their
    roots, where it sounds longest: F sharp over D7 in C minor. What no chord sounds, or only as a double flat
    or sharp, is named as the root of a chord would be: G sharp in A minor, not A flat.
    """
    names = {p: note_name(p, first_fifth(tonic, mode)) for p in range(12)}
    heard: dict[str, float] = {}
    for chord in analysis.chords:
        parsed = parse_chord(chord.label)
        if parsed is None or key_at(analysis.key, (chord.start_s + chord.end_s) / 2)[:2] != (tonic, mode):
            continue
        for name in (_tone_name(chord.label, tone) for tone in QUALITIES[parsed[1]]):
            heard[name] = heard.get(name, 0.0) + chord.end_s - chord.start_s
    names |= {
        pitch_class_of(name): name for name in sorted(heard, key=heard.__getitem__) if "double" not in name
    }
    return names | {pitch_class_of(name): name for name in key_notes(analysis.key, tonic, mode)}


def _tone_name(label: str, tone: int) -> str:
    """A tone of a chord, spelled from its root: of D7 the third is F sharp in any key."""
    place = fifths_place(label) + FIFTHS[tone]
    return fifths_name(place - 12 if place > SHARPEST else place + 12 if place < FLATTEST else place)
