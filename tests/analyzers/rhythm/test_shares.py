"""Probabilities of several answers to one question are at most 1 together (Kolmogorov's axioms)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzers.rhythm import grid as grid_module
from analyzers.rhythm.barline import FirstBar
from analyzers.rhythm.meter_evidence import RATIOS
from analyzers.rhythm.reading import Reading
from analyzers.rhythm.shares import (
    FAST_BPM,
    LEVEL,
    OPEN_LEVEL,
    SLOW_BPM,
    beside,
    beside_tempo,
    counted_too,
)

READING = Reading(1.0, 0.0, 4, 0.99, 0.9, 0.9, 0.9, ((1.0, 1.0),))


def test_what_fits_beside_the_answer_stays_and_more_is_scaled() -> None:
    assert beside(0.5, [(1, 0.3), (2, 0.1)]) == ((1, 0.3), (2, 0.1))
    assert beside(0.9, [(1, 0.3), (2, 0.1)]) == ((1, pytest.approx(0.075)), (2, pytest.approx(0.025)))
    assert beside(0.9, []) == ()


def test_half_and_double_keep_their_share_where_the_song_may_as_well_be_counted_so() -> None:
    tempi = ((1.0, 0.5), (0.5, 0.4), (0.75, 0.1))
    assert beside_tempo(0.95, 1.0, tempi) == ((1.0, 0.95), (0.5, 0.4), (0.75, pytest.approx(0.05)))
    assert beside_tempo(0.95, 1.0, ((1.0, 0.8), (2.0, 0.2)))[1] == (2.0, 0.2)
    assert beside_tempo(0.98, 1.0, ((1.0, 0.96), (2.0, 0.04)))[1] == (2.0, pytest.approx(0.02))
    assert beside_tempo(0.95, 1.0, ((1.0, 0.8), (0.75, 0.2)))[1] == (0.75, pytest.approx(0.05))


@pytest.mark.parametrize(
    ("bpm", "beats", "too"),
    [
        (SLOW_BPM - 0.01, 4, 0.5),
        (SLOW_BPM, 4, None),
        (FAST_BPM - 0.01, 4, None),
        (FAST_BPM, 4, 2.0),
        (174.0, 3, None),
        (60.0, 2, None),
    ],
)
def test_slow_and_fast_beats_in_four_are_counted_both_ways(bpm: float, beats: int, too: float | None) -> None:
    assert counted_too(bpm, beats) == too


def test_the_level_that_the_trade_counts_in_as_well_is_offered_and_is_no_question() -> None:
    """It has to be one that may be read at all; what the networks give it stays where it is more."""
    sure = ((2.0, 0.99), (4.0, 0.008), (1.0, 0.002))
    assert beside_tempo(0.99, 2.0, sure, counted_too=2.0)[:2] == ((2.0, 0.99), (4.0, LEVEL))
    assert (1.0, LEVEL) in beside_tempo(0.99, 2.0, sure, counted_too=0.5)
    assert LEVEL < OPEN_LEVEL
    assert beside_tempo(0.99, 2.0, ((2.0, 0.6), (4.0, 0.4)), counted_too=2.0)[1] == (4.0, 0.4)
    assert beside_tempo(0.99, 2.0, ((2.0, 1.0),), counted_too=2.0) == ((2.0, 0.99),)


@pytest.mark.parametrize("seed", range(40))
def test_no_question_has_more_than_one_answer(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sure, bar, meter = rng.random(3)
    p = rng.dirichlet(np.full(len(RATIOS), 0.5))
    tempi = tuple(sorted(zip(RATIOS, p.tolist(), strict=True), key=lambda item: -item[1]))
    ratio = tempi[0][0]
    told = beside_tempo(sure, ratio, tempi)
    assert told[0] == (ratio, sure)
    rivals = [p for r, p in told[1:] if not (r / ratio in (0.5, 2.0) and p >= LEVEL)]
    assert sure + sum(rivals) <= 1.0 + 1e-9

    lines = tuple((float(k), float(q)) for k, q in enumerate(rng.random(3), 1))
    meters = tuple(zip((3, 2), (rng.dirichlet([1, 1]) * (1 - meter)).tolist(), strict=True))
    reading = replace(READING, bar_probability=bar, other_lines=lines, meter_probability=meter)
    reading = replace(reading, other_meters=meters)
    found = FirstBar(0, 0.0, confidence=float(rng.random()), beside=-1)
    places = grid_module._other_places(reading, found)
    assert bar * found.confidence + sum(place.probability for place in places) <= 1.0 + 1e-9
    for other in (None, "5/4", "3/4"):
        best, others = grid_module._meter(reading, other)
        assert best + sum(m.probability for m in others) <= 1.0 + 1e-9
