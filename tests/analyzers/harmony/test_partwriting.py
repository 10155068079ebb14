"""Part-writing by textbook rules: Aldwell and Schachter, Harmony and Voice Leading (the rules from memory).

Crossing and parallels are judged by music21 (BSD), a reference library of music theory, not by our own words.
"""

from __future__ import annotations

from itertools import combinations, pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from music21.note import Note
from music21.voiceLeading import VoiceLeadingQuartet

from analyzers.harmony.partwriting import settings_of, write_parts
from analyzers.harmony.spelling import CHORD_SUFFIXES, parse_chord

RANGE = (53, 76)
TONES = {  # chord tones in semitones above the root, from any handbook
    "maj": {0, 4, 7},
    "min": {0, 3, 7},
    "7": {0, 4, 7, 10},
    "maj7": {0, 4, 7, 11},
    "min7": {0, 3, 7, 10},
    "sus4": {0, 5, 7},
    "sus2": {0, 2, 7},
    "dim": {0, 3, 6},
    "aug": {0, 4, 8},
}
PROGRESSIONS = {
    "I-vi-IV-V-I": "C Am F G C",
    "i-VI-III-VII": "Ebm B Gb Db Ebm",
    "circle of fifths": "Am7 Dm7 G7 Cmaj7 Fmaj7 Bdim E7 Am",
    "i-iv-V7-i": "Am Dm E7 Am",
    "ii-V-I": "Dm7 G7 Cmaj7 Cmaj7",
    "I-V-vi-IV": "D A Bm G D",
    "suspensions": "Gsus4 G Csus4 C Asus2 Am",
}


def parsed(text: str) -> list[tuple[int, str]]:
    return [chord for label in text.split() if (chord := parse_chord(label)) is not None]


def quartet(low: tuple[int, int], high: tuple[int, int]) -> VoiceLeadingQuartet:
    """Two parts that move together: (before, after) of each."""
    return VoiceLeadingQuartet(*(Note(n) for n in (*high, *low)))


def outer_parallels(path: list[tuple[int, ...]]) -> int:
    found = 0
    for a, b in pairwise(path):
        pair = quartet((a[0], b[0]), (a[-1], b[-1]))
        found += bool(pair.parallelFifth() or pair.parallelOctave() or pair.parallelUnison())
    return found


CHORDS = st.tuples(st.integers(0, 11), st.sampled_from(sorted(CHORD_SUFFIXES)))


@settings(max_examples=60)
@given(
    st.lists(CHORDS, min_size=1, max_size=12),
    st.sampled_from([3, 4]),
    st.integers(40, 60),
    st.integers(19, 26),
)
def test_rules_of_construction_hold_for_any_chords(chords, parts, low, width):
    written = write_parts(chords, parts, (low, low + width))
    assert len(written) == len(chords)
    for (root, quality), notes in zip(chords, written, strict=True):
        assert len(notes) == parts
        assert all(low <= n <= low + width for n in notes), "inside the range"
        assert all(a < b for a, b in pairwise(notes)), "no crossing, no shared note"
        assert all(b - a <= 12 for a, b in pairwise(notes)), "neighbours at most an octave apart"
        sung = {(n - root) % 12 for n in notes}
        assert sung <= TONES[quality]
        missing = TONES[quality] - sung
        assert missing <= ({7} if len(TONES[quality]) > parts else set()), "only a fifth may be left out"


@given(st.lists(CHORDS, min_size=1, max_size=6), st.sampled_from([3, 4]))
@settings(max_examples=30)
def test_a_narrow_range_never_fails_and_never_crosses(chords, parts):
    for notes in write_parts(chords, parts, (60, 72)):
        assert len(notes) == parts
        assert list(notes) == sorted(notes)
        assert all(60 <= n <= 72 for n in notes)


@settings(max_examples=25)
@given(st.lists(CHORDS, min_size=2, max_size=3))
def test_outer_parallels_come_only_where_no_setting_avoids_them(chords):
    """Against every possible sequence of settings of three parts."""
    runs = [chord for k, chord in enumerate(chords) if k == 0 or chord != chords[k - 1]]
    written = write_parts(runs, 3, RANGE)
    least = min(outer_parallels(list(path)) for path in product(*(settings_of(c, 3, RANGE) for c in runs)))
    assert outer_parallels(written) == least


@pytest.mark.parametrize("parts", [3, 4])
@pytest.mark.parametrize("name", PROGRESSIONS)
def test_textbook_progressions(name, parts):
    path = write_parts(parsed(PROGRESSIONS[name]), parts, RANGE)
    assert outer_parallels(path) == 0
    moves = []
    for a, b in pairwise(path):
        for low, high in combinations(range(parts), 2):
            pair = quartet((a[low], b[low]), (a[high], b[high]))
            assert not pair.voiceCrossing()
            assert not pair.voiceOverlap() or high - low > 1
        moves += [abs(n - m) for m, n in zip(a, b, strict=True)]
    assert max(moves) <= 7, "no leap beyond a fifth"
    assert sum(move <= 2 for move in moves) >= 0.75 * len(moves), "holds and steps are the rule"


@pytest.mark.parametrize("parts", [3, 4])
@pytest.mark.parametrize("name", PROGRESSIONS)
def test_common_tones_stay_in_their_part(name, parts):
    chords = parsed(PROGRESSIONS[name])
    path = write_parts(chords, parts, RANGE)
    kept = shared = 0
    for a, b in pairwise(path):
        common = {n % 12 for n in a} & {n % 12 for n in b}
        shared += len(common)
        kept += len({m % 12 for m, n in zip(a, b, strict=True) if m == n})
    assert kept >= 0.8 * shared
    if name != "circle of fifths":
        assert kept == shared


@pytest.mark.parametrize("parts", [3, 4])
def test_a_seventh_falls_by_step(parts):
    (a, b) = write_parts(parsed("G7 C"), parts, RANGE)
    (seventh,) = [(m, n) for m, n in zip(a, b, strict=True) if m % 12 == 5]
    assert seventh[1] - seventh[0] == -1  # F to E


def test_a_diminished_triad_doubles_its_third():
    (notes, _) = write_parts(parsed("Bdim C"), 4, RANGE)
    assert [n % 12 for n in notes].count(2) == 2


def test_a_chord_that_stays_is_held_and_silence_is_silence():
    path = write_parts([(0, "maj"), (0, "maj"), None, (0, "maj"), None], 4, RANGE)
    assert path[0] == path[1] == path[3]
    assert path[2] == path[4] == ()
    assert write_parts([], 3, RANGE) == []
    assert write_parts([None], 3, RANGE) == [()]


@pytest.mark.parametrize(("parts", "vocal_range"), [(2, RANGE), (5, RANGE), (3, (60, 70))])
def test_what_cannot_be_is_refused(parts, vocal_range):
    with pytest.raises(ValueError, match="three or four parts"):
        write_parts([(0, "maj")], parts, vocal_range)
