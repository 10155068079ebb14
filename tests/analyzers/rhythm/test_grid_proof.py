"""The proof of a grid, on attacks whose distance from it is known to the sample."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.model import GridProof
from analyzers.rhythm.grid_proof import CLEAR_DB, LEAST, prove
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
