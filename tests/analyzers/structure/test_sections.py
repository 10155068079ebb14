"""Sections of arrangements whose layers come and go at known bars; boundaries scored with mir_eval."""

from __future__ import annotations

from itertools import pairwise

import mir_eval
import numpy as np
import pytest

from analyzers.harmony.tuning import find_tuning
from analyzers.model import Grid, Section
from analyzers.structure.section_evidence import REACH, bar_pictures, boundary_evidence, checkerboard
from analyzers.structure.sections import best_boundaries, find_sections, letter, name_alike
from tests.analyzers.harmony_kit import RATE, Wave, accompaniment, drums, features, grid, no_grid

BAR_S = 2.0
VERSE = [(9, "min"), (5, "maj"), (0, "maj"), (7, "maj")]


def arrangement(plan: list[tuple[int, str]]) -> Wave:
    """(bars, layers): 'd' drums, 'c' chords, 'l' a high line; quiet without layers."""
    parts = []
    for bars, layers in plan:
        part = 1e-4 * np.random.default_rng(4).normal(size=round(bars * BAR_S * RATE))
        if "d" in layers:
            part += drums(bars)
        if "c" in layers:
            part += accompaniment((VERSE * bars)[:bars])
        if "l" in layers:
            t = np.arange(len(part)) / RATE
            part += 0.3 * np.sign(np.sin(2 * np.pi * 1760 * t)) * (np.sin(2 * np.pi * 2 * t) > 0)
        parts.append(part)
    return np.concatenate(parts)


def f_measure(found: tuple[float, ...], truth: list[float]) -> float:
    est, ref = (np.stack((np.array(x)[:-1], np.array(x)[1:]), axis=1) for x in (found, truth))
    return float(mir_eval.segment.detection(ref, est, window=0.5, trim=True)[2])


def sections_of(wave: Wave, on: Grid) -> tuple[Section, ...]:
    f = features(wave)
    return find_sections(f, find_tuning(f), on)


def test_layers_that_come_and_go_are_found_on_their_bars() -> None:
    plan = [(8, "c"), (8, "cd"), (8, "cdl"), (8, "cd"), (8, "c")]
    wave = arrangement(plan)
    found = sections_of(wave, grid(len(wave) / RATE))
    edges = (*(s.start_s for s in found), found[-1].end_s)
    assert f_measure(edges, [0.0, 16.0, 32.0, 48.0, 64.0, 80.0]) == 1.0
    assert [s.letter for s in found] == ["A", "B", "C", "B", "A"]
    assert [s.first_bar for s in found] == [1, 9, 17, 25, 33]


def test_sections_join_without_gaps_on_bar_lines() -> None:
    wave = arrangement([(4, "c"), (8, "cd"), (4, "c")])
    found = sections_of(wave, grid(len(wave) / RATE))
    assert found[-1].end_s == pytest.approx(len(wave) / RATE)
    for a, b in pairwise(found):
        assert a.end_s == b.start_s
        assert b.start_s % BAR_S == 0.0


def test_silence_before_the_music_is_no_section() -> None:
    wave = np.concatenate((np.zeros(2 * RATE * 2), arrangement([(8, "cd"), (8, "c")])))
    found = sections_of(wave, grid(len(wave) / RATE))
    assert found[0].start_s == 4.0


def test_music_that_never_changes_has_one_letter() -> None:
    wave = arrangement([(16, "cd")])
    found = sections_of(wave, grid(len(wave) / RATE))
    assert {s.letter for s in found} == {"A"}


def test_silence_has_no_sections_and_one_sample_does_not_fail() -> None:
    assert sections_of(np.zeros(RATE), no_grid()) == ()
    assert sections_of(np.zeros(1), no_grid()) == ()


def test_without_a_grid_changes_are_found_in_seconds() -> None:
    wave = arrangement([(8, "c"), (8, "cdl"), (8, "c")])
    found = sections_of(wave, no_grid())
    assert min(abs(s.start_s - 16.0) for s in found) <= 2.0
    assert min(abs(s.start_s - 32.0) for s in found) <= 2.0


def test_the_best_set_of_boundaries_beats_every_other() -> None:
    odds = np.array([0.0, -6, -6, -6, 3.0, -6, -6, -6, 2.5, -6, -6, -6])
    assert best_boundaries(odds) == [0, 4, 8, 12]
    assert best_boundaries(np.full(12, -6.0)) == [0, 12]
    assert best_boundaries(np.zeros(1)) == [0, 1]


# the bar that is a little likelier, and the one that wins: parts last whole groups of bars (common practice)
@pytest.mark.parametrize(("likelier", "winner", "bars", "log_odds"), [
    (5, 4, 16, 2.0),  # four and twelve bars, not five and eleven
    (4, 8, 16, -1.3),  # eight and eight, not four and twelve
    (7, 8, 16, 2.0),
])  # fmt: skip
def test_groups_of_four_and_eight_bars_win_a_close_race(
    likelier: int, winner: int, bars: int, log_odds: float
) -> None:
    odds = np.full(bars, -9.0)
    odds[likelier], odds[winner] = log_odds + 0.2, log_odds
    assert best_boundaries(odds) == [0, winner, bars]
    odds[likelier] = 6.0
    assert likelier in best_boundaries(odds)  # not where the music says otherwise


def test_a_part_lasts_two_bars_at_least() -> None:
    odds = np.full(12, -9.0)
    odds[4] = odds[5] = 4.0
    assert best_boundaries(odds) == [0, 4, 12]


def test_a_boundary_is_rather_told_than_missed() -> None:
    """A missed one costs more than one too many, but not what is unlikely in itself."""
    odds = np.full(14, -9.0)
    for log_odds, told in ((-0.9, True), (-1.1, False)):
        odds[5] = log_odds  # five and nine bars: no whole groups on either side
        assert (best_boundaries(odds) == [0, 5, 14]) == told


def test_alike_parts_share_a_letter_in_order_of_appearance() -> None:
    looks = np.zeros((12, 12), np.float32)
    looks[4:8] -= 4.0
    assert name_alike(looks, np.zeros((12, 48), np.float32), [0, 4, 8, 12]) == ["A", "B", "A"]


def test_letters_go_on_after_z() -> None:
    assert [letter(i) for i in (0, 25, 26, 27)] == ["A", "Z", "AA", "AB"]


@pytest.mark.parametrize("bars", [1, 2, 5, 40])
def test_evidence_is_finite_for_any_number_of_bars(bars: int) -> None:
    rng = np.random.default_rng(bars)
    looks, chroma = bar_pictures(
        rng.normal(-30, 10, (bars, 12)).astype(np.float32), rng.random((bars, 84)).astype(np.float32)
    )
    evidence = boundary_evidence(looks, chroma, 0)
    assert len(evidence) == bars
    assert np.all(np.isfinite(evidence))


def test_the_checkerboard_is_that_of_its_definition() -> None:
    """Mean likeness within what is before and after, less twice that across (Foote, ICME 2000)."""
    bars = np.random.default_rng(6).standard_normal((23, 5)).astype(np.float32)
    found = checkerboard(bars, 4)
    assert found[0] == 0.0
    for i in range(1, 23):
        before, after = bars[max(i - 4, 0) : i], bars[i : i + 4]

        def alike(a: np.ndarray, b: np.ndarray) -> float:
            return float(np.exp(-np.linalg.norm(a[:, None] - b[None], axis=2) / REACH).mean())

        wanted = alike(before, before) + alike(after, after) - 2 * alike(before, after)
        assert found[i] == pytest.approx(wanted, abs=1e-5)
