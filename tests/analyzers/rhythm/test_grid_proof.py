"""The proof of a grid, on attacks whose distance from it is known to the sample."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.model import GridProof
from analyzers.rhythm.grid_proof import CLEAR_DB, LEAST, _by_chance, prove
from analyzers.rhythm.lattice_fit import WindowLags
from analyzers.rhythm.pulse import Pulse

RATE = 1000.0  # rises a second: a millisecond each
BEATS_S = np.arange(61) * 0.5  # 120 BPM: 500 ms, the table of note values in any studio handbook
NO_LAGS = WindowLags(*(np.zeros(0) for _ in range(5)))


def proof_of(attacks_s: np.ndarray) -> GridProof | None:
    rise = np.zeros(round(BEATS_S[-1] * RATE) + 100)
    rise[np.rint(attacks_s * RATE).astype(int)] = 2 * CLEAR_DB
    pulse = Pulse(0.5, NO_LAGS, rise, BEATS_S, None, None, False, None, None, (0.0,) * 5)
    return prove(pulse, BEATS_S, RATE)


def test_each_third_tells_its_own_distance() -> None:
    """Attacks 6 ms early in the first third, on the beat in the second, 9 ms late in the last."""
    off_s = np.repeat([-0.006, 0.0, 0.009], 19)
    proof = proof_of(BEATS_S[2:59] + off_s)
    assert proof is not None
    assert proof.attacks == 57
    assert proof.first_third_ms == pytest.approx(-6)
    assert proof.last_third_ms == pytest.approx(9)
    assert proof.median_ms == pytest.approx(6)  # about the middle one: 19 of 0, 19 of 6, 19 of 9 ms
    assert proof.p95_ms == pytest.approx(9)


def test_sixteenths_and_triplets_are_on_the_grid_and_what_is_far_from_both_is_left_out() -> None:
    """At 120 BPM a sixteenth is 125 ms, an eighth triplet 166.7 ms; 60 ms is over 15 ms from every one."""
    proof = proof_of(np.concatenate([BEATS_S[1:21] + 0.125, BEATS_S[21:41] + 0.167, BEATS_S[41:59] + 0.06]))
    assert proof is not None
    assert proof.attacks == 40
    assert proof.p95_ms < 0.5


def test_too_few_attacks_prove_nothing() -> None:
    assert proof_of(BEATS_S[1:LEAST]) is None
    assert proof_of(BEATS_S[1 : LEAST + 1]) is not None


def test_the_share_near_the_grid_stands_beside_that_of_chance() -> None:
    """Six places in a beat of 500 ms, 30 ms each: 36 % of the time; random attacks are there as often."""
    rng = np.random.default_rng(1)
    random = proof_of(np.sort(rng.uniform(1, 29, 2000)))
    assert random is not None
    assert random.by_chance == pytest.approx(0.36)
    assert random.on_grid == pytest.approx(0.36, abs=0.04)
    right = proof_of(BEATS_S[2:59])
    assert right is not None
    assert right.on_grid == 1.0
    assert right.worst_quarter is None  # under four times `LEAST`
    assert right.median_ms < random.median_ms


def test_places_that_overlap_are_counted_once() -> None:
    """At 600 BPM sixteenths and triplets lie 8.3 to 25 ms apart: all of the time is near one."""
    found = _by_chance(np.arange(100) * 0.1)
    assert found == pytest.approx(1.0)


def test_the_quarter_with_fewest_is_told() -> None:
    """Eighths on the grid, but 60 ms off it in the third quarter."""
    eighths = np.arange(4, 116) * 0.25
    off = np.repeat([0.0, 0.0, 0.06, 0.0], 28)
    found = proof_of(eighths + off)
    assert found is not None
    assert found.worst_quarter == 0.0
    assert found.on_grid == pytest.approx(0.75)
