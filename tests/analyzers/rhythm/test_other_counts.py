"""Rows of three may be counted otherwise: whole tempi speak for it, and the first count is said with doubt.

The figures are arithmetic of the row counts (three rows and four) and of whole tempi, common practice.
"""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm import other_counts
from analyzers.rhythm.folding import MOST_BEATS
from analyzers.rhythm.in_beats import LAGS, SLOTS, SPANS
from analyzers.rhythm.meter_evidence import SIZE, SPANS_AT, Hypotheses
from analyzers.rhythm.other_counts import (
    HALVED,
    MISREAD,
    PERHAPS_TWO,
    TERNARY_DOUBT,
    TWO_BEATS,
    SteadyRate,
    counted_in_two,
    divides_in_three,
    doubted,
    doubts,
    favoured,
    halved,
    whole_rivals,
)
from analyzers.signal.onsets import BANDS
from tests.analyzers.grid_kit import HAT, KICK, SNARE, generated, grid_of, place, tone

CLOSE = 5e-5  # a fit whose end is open by 2 ms in 40 s


def evidence(third: float, half: float) -> np.ndarray:
    row = np.zeros(SIZE, np.float32)
    row[SPANS_AT + SPANS.index(1 / 3)] = row[SPANS_AT + SPANS.index(2 / 3)] = third
    row[SPANS_AT + SPANS.index(1 / 2)] = half
    return row


def test_a_beat_divides_in_three_where_thirds_come_again_and_halves_less() -> None:
    assert divides_in_three(evidence(0.3, -0.1))
    assert not divides_in_three(evidence(0.3, 0.4))
    assert not divides_in_three(evidence(-0.05, -0.1))


@pytest.mark.parametrize(
    ("found", "others"),
    [
        (134 * 4 / 3, [134.0, 268.0]),  # three rows counted where four were set, or two
        (163 * 2 / 3, [163.0]),  # six rows for four
        (125.0, []),  # whole itself
        (93.75, []),  # eight rows of 125 a minute: a quarter is no third
        (139.5, []),
        (108.69, []),  # near a third, farther than the fit leaves open
        (109 + 1 / 3 * 1.0, [82.0, 164.0]),
        (125 * 4 / 3, []),  # a module's first tempo in rows of three
        (125 * 2 / 3, []),
        (109 + 2 / 3, []),  # its 3/2 is 164.5: no whole one
    ],
)
def test_a_whole_number_and_a_third_has_a_whole_rival_at_three_quarters_or_three_halves(
    found: float, others: list[float]
) -> None:
    ratios, likelier = whole_rivals(SteadyRate(2 * found, CLOSE), ratio=2.0)
    assert [found / r for r in ratios] == pytest.approx(others)
    assert (likelier > 10) == bool(others)


def test_a_loose_fit_says_less_and_a_moving_pulse_nothing() -> None:
    _, close = whole_rivals(SteadyRate(178.6667, CLOSE), 1.0)
    _, loose = whole_rivals(SteadyRate(178.6667, 10 * CLOSE), 1.0)
    assert close > 9 * loose
    assert whole_rivals(None, 1.0) == ((), 1.0)


def test_whole_tempi_at_any_octave_are_made_likelier() -> None:
    ratio = np.array([1.0, 2.0, 4 / 3, 2 / 3, 1.5])
    h = Hypotheses(ratio, 0 * ratio, *np.zeros((3, 5), np.int64), np.zeros((5, SIZE), np.float32))
    p = favoured(h, np.array([0.5, 0.1, 0.1, 0.1, 0.2]), 0, 10.0)
    assert p == pytest.approx(np.array([0.5, 0.1, 1.0, 1.0, 0.2]) / 2.8)


def test_a_whole_tempo_that_cuts_the_same_bars_in_three_is_not_made_likelier() -> None:
    """Four beats of three rows are three of four: 4 * 1 pulse, or half or twice as long, against 3 * 4/3; a
    beat that is a third is another count."""
    ratio = np.array([1.0, 4 / 3, 2 / 3, 8 / 3, 4 / 3, 1 / 3])
    beats = np.array([4, 3, 3, 3, 4, 3])
    h = Hypotheses(ratio, 0 * ratio, beats, beats * 0, beats * 0, np.zeros((6, SIZE), np.float32))
    p = favoured(h, np.array([0.4, 0.2, 0.1, 0.1, 0.1, 0.1]), 0, 10.0)
    assert p == pytest.approx(np.array([0.4, 0.2, 0.1, 0.1, 1.0, 1.0]) / 2.8)


def snares(places: dict[float, float]) -> np.ndarray:
    """Evidence of a bar with snares at places in beats, of such a strength."""
    hits, evidence = np.zeros((BANDS, MOST_BEATS, SLOTS)), np.zeros(SIZE, np.float32)
    for at, strength in places.items():
        hits[other_counts.SNARE, int(at), round(at % 1 * SLOTS)] = strength
    evidence[: hits.size] = hits.ravel()
    return evidence


@pytest.mark.parametrize(
    ("beats", "places", "likelier"),
    [
        (3, {1.5: 1.0}, HALVED),
        (3, {1.5: 1.0, 2: 0.7}, HALVED),
        (3, {1.5: 1.0, 2: 0.9}, 1.0),
        (3, {1: 1.0, 2: 1.0}, 1.0),  # as a bar in three has them
        (3, {0.5: 1.0, 1.5: 1.0}, 1.0),  # half a beat beside them
        (3, {1.5: 1.0, 2.5: 1.0}, 1.0),
        (4, {1.5: 1.0}, 1.0),
    ],
)
def test_a_snare_that_halves_a_bar_in_three_speaks_for_four(
    beats: int, places: dict[float, float], likelier: float
) -> None:
    """Common practice: in half time the snare is midway between bar lines, in three on two and three."""
    ratio = np.array([1.0, 3 / 4, 3 / 4, 3 / 2])
    rows = np.array([beats, 4, 3, 2])
    h = Hypotheses(ratio, 0 * ratio, rows, rows * 0, rows * 0, np.stack([snares(places)] * 4))
    p = halved(h, np.array([0.5, 0.2, 0.2, 0.1]), 0)
    assert p == pytest.approx(np.array([0.5, 0.2 * likelier, 0.2, 0.1]) / (0.8 + 0.2 * likelier))


def test_half_time_in_triplets_is_counted_in_four() -> None:
    """A beat of the generator that was counted in three at 3/4 of its tempo."""
    truth, grid = generated(252000072)
    assert grid.meter == "4/4"
    assert grid.tempo_bpm == pytest.approx(truth.tempo_bpm, rel=0.001)


@pytest.mark.parametrize(
    ("after_one", "after_two", "third", "share"),
    [
        (0.2, -0.2, 0.3, TWO_BEATS),  # another chord after every two beats
        (0.0, 0.3, 0.3, PERHAPS_TWO),  # the bass alternates
        (0.3, 0.0, 0.3, 0.0),
        (0.2, -0.2, -0.3, 0.0),  # beats that do not divide in three
    ],
)
def test_chords_that_change_with_every_two_ternary_beats_are_bars_of_6_8(
    after_one: float, after_two: float, third: float, share: float
) -> None:
    row = evidence(third, -0.1)
    row[SPANS_AT - len(LAGS) : SPANS_AT - len(LAGS) + 2] = after_one, after_two
    assert counted_in_two(row) == share


def march() -> np.ndarray:
    """72 dotted beats at 112 a minute: a bass that alternates, chords on the third eighth, a tune in eighths;
    each chord lasts two beats."""
    beat, out = 60 / 112, []
    for k in range(72):
        root = 110.0 * 2 ** ((0, 5, 7, 2)[k // 2 % 4] / 12)
        out.append((0.2 + k * beat, tone(root * (0.75 if k % 2 else 1.0), 0.5 * beat), 1.0))
        out += [(0.2 + (k + 2 / 3) * beat, tone(root * r, 0.25 * beat), 0.6) for r in (2, 2.52, 3)]
        out += [(0.2 + (k + x) * beat, tone(root * r, 0.3 * beat), 0.5) for x, r in ((0, 4), (2 / 3, 6))]
        out.append((0.2 + k * beat, KICK, 0.8))
    return place(0.2 + 72 * beat + 0.5, out)


def test_a_march_is_in_6_8() -> None:
    grid = grid_of(march())
    assert grid.meter == "6/8"
    assert grid.meter_confidence == pytest.approx(TWO_BEATS)
    assert [m.meter for m in grid.meter_alternatives][:1] == ["4/4"]
    assert grid.tempo_bpm == pytest.approx(112.0, rel=1e-3)
    assert grid.bar_one_s == pytest.approx(0.2, abs=0.01)


def test_the_doubt_goes_to_the_other_counts() -> None:
    """Rows of three: a tenth, by halves. A whole rival: its odds at the share of misread songs."""
    assert doubts(evidence(0.3, 0.4), (), 1.0) == {}
    three = doubts(evidence(0.3, -0.1), (), 1.0)
    assert three == pytest.approx({4 / 3: TERNARY_DOUBT / 2, 2 / 3: TERNARY_DOUBT / 2})
    assert 0.05 <= sum(three.values()) <= 0.13  # as often as it was so, of beats and of sequences
    whole = doubts(evidence(0.3, 0.4), (2 / 3,), 1 / MISREAD)
    assert whole == pytest.approx({2 / 3: 0.5})


def test_what_was_a_hypothesis_already_keeps_its_share_of_the_rest() -> None:
    tempi = doubted(((1.0, 0.8), (2 / 3, 0.2)), {4 / 3: 0.05, 2 / 3: 0.05})
    assert [ratio for ratio, _ in tempi] == pytest.approx([1.0, 2 / 3, 4 / 3])
    assert [p for _, p in tempi] == pytest.approx([0.8 * 0.9, 0.2 * 0.9 + 0.05, 0.05])
    assert sum(p for _, p in tempi) == pytest.approx(1.0)


def rows(per_beat: int, bpm: float = 96.0) -> list[tuple[float, np.ndarray, float]]:
    """Kick, snare on the backbeat and a note on every row, a little louder on the beat."""
    step = 60 / bpm / per_beat
    out = []
    for k in range(per_beat * 64):
        beat, first = divmod(k, per_beat)
        out.append(
            (0.1 + k * step, tone(220 * 2 ** ([0, 3, 7][k % 3] / 12), step), 1.0 if first == 0 else 0.6)
        )
        out.append((0.1 + k * step, HAT, 0.5))
        if first == 0:
            out.append((0.1 + k * step, SNARE if beat % 2 else KICK, 1.0))
    return out


def test_rows_of_three_are_less_sure_than_rows_of_four_and_offer_the_other_count() -> None:
    """Counted by four rows, as a sequencer's display has them, 96 BPM in threes is 96 * 3 / 4 = 72."""
    threes, fours = (grid_of(place(42.0, rows(n))) for n in (3, 4))
    assert threes.tempo_bpm == pytest.approx(96.0, rel=1e-3)
    assert fours.tempo_bpm == pytest.approx(96.0, rel=1e-3)
    assert threes.tempo_confidence < 0.9 < fours.tempo_confidence
    assert threes.bar_one_confidence < fours.bar_one_confidence
    others = [c.bpm for c in threes.tempo_alternatives]
    assert min(abs(bpm / 72 - 1) for bpm in others) < 0.01
    assert min(abs(c.bpm / 72 - 1) for c in fours.tempo_alternatives) > 0.01


def test_three_rows_at_a_whole_number_and_a_third_leave_room_for_the_whole_tempo() -> None:
    """Rows of a sequence at 103 BPM in fours, sounding in threes: 103 * 4 / 3 = 137 1/3."""
    whole, third = (grid_of(place(42.0, rows(3, bpm))) for bpm in (137.0, 103 * 4 / 3))
    as_it_sounds = sum(c.probability for c in third.tempo_alternatives if abs(c.bpm / 137.333 - 1) < 1e-3)
    assert as_it_sounds < 0.9 * whole.tempo_confidence
    assert max(c.probability for c in third.tempo_alternatives if abs(c.bpm / 103 - 1) < 1e-3) > 0.1
