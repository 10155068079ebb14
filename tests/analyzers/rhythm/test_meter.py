"""Rows of three: another way to count them is offered, and the first said with less than certainty."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.meter import SPANS_AT, divides_in_three, doubted
from analyzers.rhythm.meter_evidence import SIZE, SPANS
from tests.analyzers.grid_kit import HAT, KICK, SNARE, grid_of, place, tone


def evidence(third: float, half: float) -> np.ndarray:
    row = np.zeros(SIZE, np.float32)
    row[SPANS_AT + SPANS.index(1 / 3)] = row[SPANS_AT + SPANS.index(2 / 3)] = third
    row[SPANS_AT + SPANS.index(1 / 2)] = half
    return row


def test_a_beat_divides_in_three_where_thirds_come_again_and_halves_less() -> None:
    assert divides_in_three(evidence(0.3, -0.1))
    assert not divides_in_three(evidence(0.3, 0.4))
    assert not divides_in_three(evidence(-0.05, -0.1))


def test_the_doubt_goes_to_beats_of_four_and_of_two_thirds() -> None:
    """A tenth, by halves; what was a hypothesis already keeps its share of the rest."""
    tempi = doubted(((1.0, 0.8), (2 / 3, 0.2)))
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
    others = [c.bpm for c in threes.tempo_alternatives]
    assert min(abs(bpm / 72 - 1) for bpm in others) < 0.01
    assert min(abs(c.bpm / 72 - 1) for c in fours.tempo_alternatives) > 0.01
