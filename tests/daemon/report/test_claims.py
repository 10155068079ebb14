"""Where a producer's claim still agrees with what was measured."""

from __future__ import annotations

import pytest

from daemon.decode.tags import ProducerClaim
from daemon.report.claims import judge_claim
from tests.daemon.sample_report import sample_analysis


@pytest.mark.parametrize(
    ("claimed", "agrees", "relation"),
    [
        (140.0, True, "as measured"),
        (140.69, True, "as measured"),
        (139.31, True, "as measured"),
        (140.71, False, "not what was measured"),
        (139.29, False, "not what was measured"),
        (70.34, False, "half of what was measured"),
        (70.36, False, "not what was measured"),
        (281.39, False, "twice what was measured"),
        (281.41, False, "not what was measured"),
    ],
)
def test_half_a_percent_is_the_same_tempo(claimed: float, agrees: bool, relation: str) -> None:
    """140 BPM was measured, 0.5 % of it is 0.7 BPM."""
    claim = judge_claim(ProducerClaim("tempo", "x", "file name", claimed), sample_analysis())
    assert (claim.agrees, claim.relation) == (agrees, relation)
