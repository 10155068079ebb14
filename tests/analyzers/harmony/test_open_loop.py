"""Loops that leave their tonic open, on chords written by hand; degrees from any handbook of harmony."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.harmony.key import find_key
from analyzers.harmony.key_belief import MODES, Belief
from analyzers.harmony.network_inputs import Segment
from analyzers.harmony.note_sets import same_notes, sure_of_notes
from analyzers.harmony.open_loop import left_open, open_home
from analyzers.harmony.tuning import find_tuning
from analyzers.harmony.voicing import QUALITIES
from analyzers.signal.spectrum import NOTES
from tests.analyzers.harmony_kit import RATE, accompaniment, features, grid

NAMES = list(QUALITIES)


def loop(*chords: tuple[int, str, float]) -> Segment:
    """Root, quality, share of the time."""
    steps = [(root, quality) for root, quality, share in chords for _ in range(round(100 * share))]
    found = np.zeros((len(steps), 12, len(NAMES)), np.float32)
    for i, (root, quality) in enumerate(steps):
        found[i, root % 12, NAMES.index(quality)] = 1
    return Segment(np.ones((len(steps), NOTES), np.float32), found, np.zeros(len(steps), np.float32), None)


def belief(tonic: int, mode: str, share: float) -> Belief:
    scales = np.zeros((12, 6), np.float32)
    scales[tonic, MODES.index(mode)] = share
    return Belief(scales)


@pytest.mark.parametrize("up", range(12))
@pytest.mark.parametrize(("one", "other"), [
    ((2, "min7"), (7, "7")), ((2, "min"), (7, "maj")), ((5, "maj"), (7, "maj")), ((5, "maj7"), (7, "7")),
])  # fmt: skip
def test_second_or_fourth_and_fifth_degree_are_those_of_the_major_key(
    up: int, one: tuple[int, str], other: tuple[int, str]
) -> None:
    first, second = ((root + up, quality, 0.5) for root, quality in (one, other))
    assert open_home(loop(first, second)) == up
    assert open_home(loop(second, first)) == up


@pytest.mark.parametrize("chords", [
    ((0, "maj", 0.5), (5, "maj", 0.5)), ((0, "min", 0.5), (10, "maj", 0.5)),
    ((9, "min", 0.5), (2, "min", 0.5)), ((2, "min", 1.0),),
    ((2, "min", 0.68), (7, "maj", 0.32)), ((2, "min", 0.32), (7, "maj", 0.68)),
    ((2, "min", 0.42), (7, "maj", 0.42), (0, "maj", 0.16)),
])  # fmt: skip
def test_other_chords_or_one_that_lasts_twice_as_long_do_not_leave_it_open(
    chords: tuple[tuple[int, str, float], ...],
) -> None:
    assert open_home(loop(*chords)) is None


def test_some_steps_that_are_taken_for_another_chord_and_rests_do_not_count() -> None:
    x = loop((2, "min", 0.44), (7, "maj", 0.42), (9, "min", 0.14), (0, "maj", 0.4))
    x.none[-40:] = 0.6
    assert open_home(x) == 0


def test_silence_is_no_loop() -> None:
    x = loop((2, "min", 0.5))
    x.none[:] = 1
    assert open_home(x) is None


@pytest.mark.parametrize(("tonic", "mode", "other"), [
    (2, "dorian", (0, 0)), (7, "mixolydian", (0, 0)), (9, "minor", (0, 0)), (0, "major", (9, 1)),
])  # fmt: skip
def test_what_an_open_tonic_loses_goes_to_the_key_with_its_notes(
    tonic: int, mode: str, other: tuple[int, int]
) -> None:
    sure = belief(tonic, mode, 0.95)
    found = left_open(sure, mode, 0, 0.8)
    assert found.best == sure.best
    assert found.confidence == pytest.approx(0.8, abs=0.001)
    assert found.plain[other] == pytest.approx(0.15, abs=0.001)
    assert found.signatures[0] == pytest.approx(sure.signatures[0], rel=1e-5)


def test_a_key_of_other_notes_and_one_that_is_not_that_sure_stay() -> None:
    for tonic, mode, share in ((2, "minor", 0.95), (2, "dorian", 0.7)):
        sure = belief(tonic, mode, share)
        assert np.allclose(left_open(sure, mode, 0, 0.8).scales, sure.scales)
    assert left_open(belief(2, "dorian", 0.95), "dorian", None, 0.8).confidence == pytest.approx(
        0.95, rel=1e-5
    )


@pytest.mark.parametrize("loop", [[(2, "min7"), (7, "7")], [(5, "maj"), (7, "maj")]])
def test_the_notes_of_an_open_loop_are_sure_and_its_tonic_is_not(loop: list[tuple[int, str]]) -> None:
    wave = accompaniment([(root, quality) for root, quality in loop * 6])
    f = features(wave)
    key = find_key(f, find_tuning(f), grid(len(wave) / RATE))
    assert key.confidence < 0.8
    assert sure_of_notes(key) > 0.85
    assert ("C", "major") in [(c.tonic, c.mode) for c in same_notes(key)]
