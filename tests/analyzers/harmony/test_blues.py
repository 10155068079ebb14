"""A blues by its form: choruses as the handbooks print them, and songs on the same chords that are none.

Twelve bars: B. Benward and M. Saker, Music in Theory and Practice I (7th edition, 2003), p. 186. Minor blues
and the cadence by the second degree: M. Levine, The Jazz Theory Book (1995), chapter "The Blues" (from
memory). Quick change, eight bars, notes of the blues: common practice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzers.harmony.blues import best_fit, find_blues, loop_fit, settled
from analyzers.harmony.chords import NAMES, find_chords
from analyzers.harmony.key import find_key
from analyzers.harmony.spelling import blues_names, tonic_name
from analyzers.harmony.tuning import find_tuning
from analyzers.model import Blues, Key, KeyCandidate, KeyChange
from tests.analyzers.harmony_kit import BEAT_S, RATE, accompaniment, drums, features, grid, no_grid

ONE, FOUR, FIVE = (0, "7"), (5, "7"), (7, "7")
TWELVE = [ONE] * 4 + [FOUR] * 2 + [ONE] * 2 + [FIVE, FOUR, ONE, FIVE]
QUICK = [ONE, FOUR, ONE, ONE, FOUR, FOUR, ONE, ONE, FIVE, FOUR, ONE, ONE]
SLOW = [ONE] * 4 + [FOUR] * 2 + [ONE] * 2 + [FIVE, FIVE, ONE, ONE]
BY_SECOND = [*QUICK[:7], (9, "7"), (2, "min7"), FIVE, ONE, FIVE]
LOW, LOW_FOUR = (0, "min7"), (5, "min7")
MINOR = [LOW] * 4 + [LOW_FOUR] * 2 + [LOW] * 2 + [(8, "7"), FIVE, LOW, LOW]
EIGHT = [ONE, FIVE, FOUR, FOUR, ONE, FIVE, ONE, FIVE]
# the same chords without the form
LOOP = [ONE, FOUR, ONE, FIVE] * 6
VAMP = [ONE, FOUR] * 12
DRONE = [ONE] * 24
VERSE = [(0, "maj"), (0, "maj"), (5, "maj"), (0, "maj"), (0, "maj"), (0, "maj"), (7, "maj"), (7, "maj")] * 3
FALLING = [(0, "maj"), (7, "maj"), (9, "min"), (5, "maj")] * 6
PLAIN_EIGHT = [(root, "maj") for root, _ in EIGHT] * 3


def blues_of(chords, tonic=9, *, per_bar=4, wave=None, g=None):
    moved = [((root + tonic) % 12, quality) for root, quality in chords]
    wave = accompaniment(moved, per_bar) if wave is None else wave
    f = features(wave)
    return find_blues(f, find_tuning(f), g or grid(len(wave) / RATE, per_bar=per_bar))


@pytest.mark.parametrize("tonic", [3, 9])
@pytest.mark.parametrize(
    "chorus", [TWELVE, QUICK, SLOW, BY_SECOND], ids=["12", "quick", "slow", "by the second"]
)
def test_a_chorus_of_twelve_bars_says_its_tonic(chorus, tonic):
    found = blues_of(chorus * 2, tonic)
    assert (found.tonic, found.minor, found.bars) == (tonic_name(tonic, "major"), False, 12)
    assert found.first_chorus_s == pytest.approx(0.0)
    assert found.confidence >= 0.8


def test_a_minor_blues_and_eight_bars():
    minor = blues_of(MINOR * 2)
    assert (minor.tonic, minor.minor, minor.bars) == ("A", True, 12)
    eight = blues_of(EIGHT * 3, 7)
    assert (eight.tonic, eight.minor, eight.bars) == ("G", False, 8)


@pytest.mark.parametrize(
    "song", [LOOP, VAMP, DRONE, VERSE, FALLING, PLAIN_EIGHT, TWELVE[:8]],
    ids=["loop", "vamp", "drone", "verse", "falling", "eight bars without sevenths", "less than a chorus"],
)  # fmt: skip
def test_songs_on_the_same_chords_are_none(song):
    assert blues_of(song) is None


def test_the_first_whole_chorus_is_where_it_begins():
    """From the ninth bar of one chorus on, then whole ones; and after four bars of the tonic."""
    assert blues_of(TWELVE[8:] + TWELVE * 2).first_chorus_s == pytest.approx(4 * 4 * BEAT_S)
    assert blues_of([ONE] * 4 + TWELVE * 2).first_chorus_s == pytest.approx(4 * 4 * BEAT_S)


def test_other_bars_of_the_grid_do_not_hide_it():
    """A grid of half or double the bars, and one whose line lies a beat off."""
    moved = [((root + 9) % 12, quality) for root, quality in TWELVE * 2]
    wave = accompaniment(moved)
    for per_bar in (2, 8):
        assert blues_of([], wave=wave, g=grid(len(wave) / RATE, per_bar=per_bar)).tonic == "A"
    off = np.concatenate((np.zeros(round(BEAT_S * RATE)), wave))
    assert blues_of([], wave=off).first_chorus_s == pytest.approx(BEAT_S)


def test_drums_silence_and_no_grid_have_no_blues():
    assert blues_of([], wave=drums(24)) is None
    assert blues_of([], wave=np.zeros(30 * RATE)) is None
    assert blues_of(TWELVE * 2, g=no_grid()) is None


def test_the_form_settles_the_key():
    """The notes of a blues in A with its sevenths fit D major and A mixolydian as well: its form does not."""
    wave = accompaniment([((root + 9) % 12, quality) for root, quality in TWELVE * 2])
    f = features(wave)
    tuning, g = find_tuning(f), grid(len(wave) / RATE)
    key = settled(find_key(f, tuning, g), find_blues(f, tuning, g))
    assert (key.tonic, key.mode, key.blues.tonic) == ("A", "major", "A")
    assert key.alternatives[0].probability == key.confidence
    assert sum(c.probability for c in key.alternatives) <= 1.001
    labels = {chord.label for chord in find_chords(f, tuning, g, key)}
    assert labels == {"A7", "D7", "E7"}


def test_another_key_gives_way_with_the_confidence_of_the_form():
    blues = Blues("A", False, 12, 0.0, 0.9)
    change = KeyChange(10.0, "E", "major", 0.8)
    other = Key("D", "major", 0.97, (), (), None, None, (change,), ())
    found = settled(other, blues)
    assert (found.tonic, found.mode, found.confidence, found.changes) == ("A", "major", 0.9, ())
    for confidence, surer in ((0.97, 0.97), (0.6, 0.9)):
        agreed = replace(other, tonic="A", mode="mixolydian", confidence=confidence)
        assert settled(agreed, blues).confidence == surer
    assert settled(other, None) is other


def test_the_keys_beside_a_blues_are_those_of_its_own_tonic():
    """F sharp minor has the notes of A major, A minor its tonic (common practice)."""
    beside = (KeyCandidate("B", "minor", 0.2), KeyCandidate("D", "minor", 0.1))
    heard = (KeyCandidate("D", "major", 0.6), KeyCandidate("A", "minor", 0.3))
    other = Key("D", "major", 0.6, (), heard, *beside, (), ())
    found = settled(other, Blues("A", False, 12, 0.0, 0.9))
    assert (found.relative.tonic, found.relative.mode) == ("F sharp", "minor")
    assert (found.parallel.tonic, found.parallel.mode) == ("A", "minor")
    assert found.parallel.probability == found.alternatives[2].probability > 0
    assert found.relative.probability == 0.0  # it was not heard


def test_what_is_not_sure_is_not_said():
    """The same form, of which less and less is heard: it passes first, then it does not."""
    rng = np.random.default_rng(4)
    passed = []
    for clear in (1.0, 0.75, 0.3):
        p = np.full((96, 12 * len(NAMES) + 1), 1e-4)
        for k in range(96):
            root, quality = TWELVE[k // 4 % 12] if rng.random() < clear else (int(rng.integers(12)), "maj")
            p[k, root * len(NAMES) + NAMES.index(quality)] = 0.9
        found = best_fit(np.log(p), 4)
        passed.append(0.0 if found is None else found.probability)
    assert passed[0] > 0.95
    assert passed[0] > passed[1] > passed[2] == 0.0


def test_a_loop_that_comes_once_explains_nothing():
    bars = np.eye(4)[[0, 1, 2, 3, 0, 1, 2, 3]]
    assert loop_fit(bars, 4) == 1.0
    assert loop_fit(bars, 2) == 0.5
    assert loop_fit(bars, 8) == 0.0


@pytest.mark.parametrize(
    ("tonic", "minor", "notes"),
    [
        ("A", False, "A, B, C, C sharp, D, E flat, E, F sharp, G"),
        ("E flat", False, "E flat, F, G flat, G, A flat, A, B flat, C, D flat"),
        ("A", True, "A, B, C, D, E flat, E, F, G"),
    ],
)
def test_the_notes_leave_both_thirds_and_the_lowered_fifth(tonic, minor, notes):
    """Minor pentatonic with the lowered fifth, and in major the major pentatonic scale (common practice)."""
    assert ", ".join(blues_names(tonic, minor)) == notes
