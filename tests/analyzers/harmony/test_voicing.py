"""Voice leading: rules any handbook of harmony gives, checked on drawn progressions."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzers.harmony.voicing import (
    BASS_RANGE,
    OFF_CENTRE_COST,
    QUALITIES,
    WIDEST_SETTING,
    bass_notes,
    voice_chords,
)

RANGE = (53, 76)
chord_lists = st.lists(
    st.none() | st.tuples(st.integers(0, 11), st.sampled_from(sorted(QUALITIES))), min_size=1, max_size=12
)


@settings(max_examples=60)
@given(chords=chord_lists, low=st.integers(40, 60), width=st.integers(11, 30))
def test_each_tone_sounds_once_inside_the_range(
    chords: list[tuple[int, str] | None], low: int, width: int
) -> None:
    for chord, notes in zip(chords, voice_chords(chords, (low, low + width)), strict=True):
        if chord is None:
            assert notes == ()
            continue
        assert sorted(n % 12 for n in notes) == sorted((chord[0] + s) % 12 for s in QUALITIES[chord[1]])
        assert list(notes) == sorted(set(notes))
        assert all(low <= n <= low + width for n in notes)


def test_common_tones_stay_and_the_other_part_moves_by_step() -> None:
    c, a = voice_chords([(0, "maj"), (9, "min")], RANGE)  # C and Am share C and E
    assert len(set(c) & set(a)) == 2
    assert sum(abs(x - y) for x, y in zip(c, a, strict=True)) == 2  # G to A


@pytest.mark.parametrize("root", range(12))
@pytest.mark.parametrize("triad", ["maj", "min", "sus4"])
def test_no_other_setting_of_a_seventh_is_nearer_to_a_triad_and_back(root: int, triad: str) -> None:
    """Against all settings tried: three parts travel to four, each to its nearest neighbour, and back."""
    chords = [(0, triad), (root, "7")]
    low, high = RANGE
    middle = (low + high) / 2

    def settings_of(chord: tuple[int, str]) -> list[tuple[int, ...]]:
        tones = {(chord[0] + step) % 12 for step in QUALITIES[chord[1]]}
        every = combinations([n for n in range(low, high + 1) if n % 12 in tones], len(tones))
        return [s for s in every if {n % 12 for n in s} == tones and s[-1] - s[0] <= WIDEST_SETTING]

    def travel(a: tuple[int, ...], b: tuple[int, ...]) -> float:
        few, many = sorted((a, b), key=len)
        return sum(min(abs(n - m) for m in few) for n in many)

    def cost(way: Sequence[tuple[int, ...]]) -> float:
        aside = sum(abs(sum(s) / len(s) - middle) * len(s) for s in way)
        return sum(map(travel, way, way[1:])) + OFF_CENTRE_COST * aside

    least = min(map(cost, product(*map(settings_of, chords))))
    assert cost(voice_chords(chords, RANGE)) == pytest.approx(least)


def test_a_pop_progression_never_leaps() -> None:
    loop = [(0, "maj"), (7, "maj"), (9, "min"), (5, "maj")] * 4  # I V vi IV
    voices = voice_chords(loop, RANGE)
    leaps = [abs(x - y) for a, b in pairwise(voices) for x, y in zip(a, b, strict=True)]
    assert max(leaps) <= 4
    assert voices[0] == voices[4] == voices[8]  # the loop comes round to the same setting


def test_settings_stay_near_the_middle_of_the_range_for_a_long_descent() -> None:
    voices = voice_chords([((-2 * k) % 12, "maj") for k in range(48)], RANGE)
    middles = [sum(v) / 3 for v in voices]
    assert min(middles) > 58
    assert max(middles) < 71


def test_a_range_under_an_octave_is_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match="widen it"):
        voice_chords([(0, "maj")], (60, 70))


def test_no_chords_give_no_notes() -> None:
    assert voice_chords([], RANGE) == []
    assert bass_notes([]) == []


@given(chords=chord_lists)
def test_the_bass_is_the_root_in_its_range(chords: list[tuple[int, str] | None]) -> None:
    for chord, note in zip(chords, bass_notes(chords), strict=True):
        if chord is None:
            assert note is None
        else:
            assert note is not None
            assert note % 12 == chord[0]
            assert BASS_RANGE[0] <= note <= BASS_RANGE[1]


def test_the_bass_takes_the_nearer_octave() -> None:
    assert bass_notes([(9, "min"), (7, "maj"), (9, "min")]) == [45, 43, 45]
