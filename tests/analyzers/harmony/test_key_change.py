"""Changes of key on chord probabilities written by hand."""

from __future__ import annotations

import numpy as np

from analyzers.harmony.key import judge
from analyzers.harmony.key_change import find_changes, load_change_model, proposed, signature_fit
from analyzers.harmony.network_inputs import Stretch, metric_weight
from analyzers.harmony.voicing import QUALITIES
from analyzers.signal.spectrum import LOWEST_NOTE, NOTES

NAMES = list(QUALITIES)
C_MAJOR = [(0, "maj"), (9, "min"), (5, "maj"), (7, "maj")]
Bars = list[tuple[int, str] | None]


def track(bars: Bars) -> Stretch:
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
    return Stretch(levels, chords, none, metric_weight(np.arange(len(steps)) % 4 == 0, 0))


def moved(by: int) -> Bars:
    return [((root + by) % 12, quality) for root, quality in C_MAJOR]


def found_in(x: Stretch) -> list[tuple[int, float]]:
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
    assert found_in(Stretch(x.levels, x.chords, x.none, None)) == []


def test_a_proposed_change_that_nothing_bears_out_is_dropped() -> None:
    x = track(moved(0) * 3 + moved(1) * 3)
    assert x.weight is not None
    assert proposed(signature_fit(x, load_change_model().table), x.weight) == [48]
    one, other = np.eye(12, dtype=np.float32)[:2]
    alike = find_changes(x, lambda start, stop: one)
    apart = find_changes(x, lambda start, stop: one if start == 0 else other)
    assert [step for step, _ in apart] == [48]
    assert all(sure < apart[0][1] for _, sure in alike)


def test_the_table_knows_the_chords_of_c_major() -> None:
    """Triads on the degrees of the major scale: any handbook of harmony."""
    table = load_change_model().table
    for root, quality in ((0, "maj"), (2, "min"), (4, "min"), (5, "maj"), (7, "maj"), (9, "min")):
        assert table[root, NAMES.index(quality)] > 1
    for root, quality in ((1, "maj"), (6, "maj"), (1, "min"), (6, "min"), (8, "min"), (10, "min")):
        assert table[root, NAMES.index(quality)] < 0.5
