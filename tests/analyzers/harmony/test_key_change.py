"""Changes of key on chord probabilities written by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.harmony.key import judge
from analyzers.harmony.key_change import (
    ChangeModel,
    change_evidence,
    find_changes,
    load_change_model,
    proposed,
    signature_fit,
    steps_held,
)
from analyzers.harmony.network_inputs import Segment, metric_weight
from analyzers.harmony.voicing import QUALITIES
from analyzers.signal.spectrum import LOWEST_NOTE, NOTES

NAMES = list(QUALITIES)
C_MAJOR = [(0, "maj"), (9, "min"), (5, "maj"), (7, "maj")]
Bars = list[tuple[int, str] | None]


def track(bars: Bars) -> Segment:
    """Four beats for each entry: its notes around middle C over its root in the bass."""
    steps = [bar for bar in bars for _ in range(4)]
    levels = np.zeros((len(steps), NOTES), np.float32)
    chords = np.full((len(steps), 12, len(NAMES)), 1e-4, np.float32)
    none = np.zeros(len(steps), np.float32)
    for i, step in enumerate(steps):
        if step is None:
            none[i] = 0.98
            continue
        root, quality = step
        chords[i, root, NAMES.index(quality)] = 0.98
        for tone in QUALITIES[quality]:
            levels[i, 60 + (root + tone) % 12 - LOWEST_NOTE] = 1.0
        levels[i, 36 + root - LOWEST_NOTE] = 1.0
    return Segment(levels, chords, none, metric_weight(np.arange(len(steps)) % 4 == 0, 0))


def moved(by: int) -> Bars:
    return [((root + by) % 12, quality) for root, quality in C_MAJOR]


def found_in(x: Segment) -> list[tuple[int, float]]:
    return find_changes(x, lambda start, stop: judge(x.part(start, stop)).signatures)


def changes(bars: Bars) -> list[int]:
    found = found_in(track(bars))
    assert all(0.75 <= sure <= 1 for _, sure in found)
    return [step for step, _ in found]


def test_a_step_up_by_a_semitone_is_found_on_its_bar() -> None:
    assert changes(moved(0) * 3 + moved(1) * 3) == [48]


def test_two_changes_are_found() -> None:
    assert changes(moved(0) * 3 + moved(2) * 3 + moved(4) * 3) == [48, 96]


def test_one_borrowed_bar_is_no_change() -> None:
    assert changes([*moved(0) * 2, (8, "maj"), *moved(0) * 2]) == []


def test_a_rest_between_equal_keys_is_no_change() -> None:
    assert changes([*moved(0) * 2, *[None] * 8, *moved(0) * 2]) == []


def test_two_bars_elsewhere_are_no_change() -> None:
    assert changes([*moved(0) * 2, *moved(1)[:2], *moved(0) * 2]) == []


def test_without_a_grid_there_is_no_bar_line_to_change_on() -> None:
    x = track(moved(0) * 3 + moved(1) * 3)
    assert found_in(Segment(x.levels, x.chords, x.none, None)) == []


def test_a_proposed_change_that_nothing_bears_out_is_dropped() -> None:
    x = track(moved(0) * 3 + moved(1) * 3)
    assert x.weight is not None
    assert proposed(signature_fit(x, load_change_model().table), x.weight) == [48]
    one, other = np.eye(12, dtype=np.float32)[:2]
    apart = find_changes(x, lambda start, stop: one if start == 0 else other)
    assert [step for step, _ in apart] == [48]
    assert find_changes(x, lambda start, stop: one) == []


@pytest.mark.parametrize(("probability", "steps"), [(0.74, []), (0.76, [48])])
def test_a_change_is_told_from_three_in_four_on(probability: float, steps: list[int]) -> None:
    """A model that always says the same: only the threshold decides."""
    one = np.ones(5, np.float32)
    odds = np.array([np.log(probability / (1 - probability))], np.float32)
    model = ChangeModel(load_change_model().table, one, one, 0 * one, odds)
    found = find_changes(track(moved(0) * 3 + moved(1) * 3), lambda start, stop: np.eye(12)[0], model)
    assert [step for step, _ in found] == steps


def test_only_the_improbable_one_of_two_changes_is_dropped() -> None:
    x = track(moved(0) * 3 + moved(2) * 3 + moved(4) * 3)
    here, there = np.eye(12, dtype=np.float32)[:2]
    found = find_changes(x, lambda start, stop: here if start == 0 else there)
    assert [step for step, _ in found] == [48]


@pytest.mark.parametrize(("bars", "steps"), [(3, []), (4, [32])])
def test_a_key_lasts_four_bars_at_least(bars: int, steps: list[int]) -> None:
    """Eight bars in C major, then some a semitone higher up to the end."""
    x = track(moved(0) * 2 + moved(1)[:bars])
    assert x.weight is not None
    assert proposed(signature_fit(x, load_change_model().table), x.weight) == steps


@pytest.mark.parametrize(("bars", "steps"), [(2, []), (3, [12])])
def test_the_first_key_may_end_after_three_bars(bars: int, steps: list[int]) -> None:
    """The fourth holds the dominant of the key that follows, as before a passage that is moved up."""
    x = track([*moved(0)[:bars], (8, "7"), *moved(1) * 2])
    assert x.weight is not None
    assert proposed(signature_fit(x, load_change_model().table), x.weight) == steps


def test_a_chord_that_is_held_says_no_more_after_two_bars() -> None:
    fit = signature_fit(track([(0, "maj")] * 3 + [None, (0, "maj")]), load_change_model().table)
    assert np.flatnonzero(fit.any(axis=1)).tolist() == [*range(8), *range(12, 20)]


def test_how_long_a_chord_has_been_held() -> None:
    x = track([(0, "maj"), (0, "min"), (5, "maj"), None])
    assert steps_held(x).tolist() == [*range(8), *range(4), *range(4)]


@pytest.mark.parametrize("vamp", [
    [(0, "min"), (5, "min"), (7, "maj")], [(0, "min"), (1, "maj")], [(0, "maj"), (5, "min")],
    [(0, "maj"), (3, "maj"), (5, "maj")],
])  # fmt: skip
@pytest.mark.parametrize("others", [4, 8])
def test_a_slow_vamp_does_not_change_its_key(vamp: list[tuple[int, str]], others: int) -> None:
    """Its first chord is held for eight bars, the others for as many or half of it."""
    held = [chord for chord in vamp for _ in range(others if chord != vamp[0] else 8)]
    assert changes(held * 3) == []


def test_what_speaks_for_a_change() -> None:
    """The five kinds of evidence on numbers that can be worked out by hand."""
    fit = np.full((32, 12), np.log(0.1))
    fit[:16, 0] = fit[16:, 1] = np.log(0.5)  # two signatures explain it: five times as likely, 16 steps each
    weight = metric_weight(np.arange(32) % 4 == 0, 0)
    sides = np.eye(12, dtype=np.float32)[[0, 1]]
    differ, gain, each, shorter, group = change_evidence(fit, weight, (0, 16, 32), (sides[0], sides[1]))
    assert differ == pytest.approx(np.log((1 - 1e-4) / 1e-4), rel=1e-3)
    assert gain == pytest.approx(np.log1p(16 * np.log(5)), rel=1e-6)
    assert each == pytest.approx(np.log(5), rel=1e-6)
    assert shorter == pytest.approx(np.log(5), rel=1e-6)  # four bars and one
    assert group == 1.0


def test_the_table_knows_the_chords_of_c_major() -> None:
    """Triads on the degrees of the major scale: any handbook of harmony."""
    table = load_change_model().table
    for root, quality in ((0, "maj"), (2, "min"), (4, "min"), (5, "maj"), (7, "maj"), (9, "min")):
        assert table[root, NAMES.index(quality)] > 1
    for root, quality in ((1, "maj"), (6, "maj"), (1, "min"), (6, "min"), (8, "min"), (10, "min")):
        assert table[root, NAMES.index(quality)] < 0.5
