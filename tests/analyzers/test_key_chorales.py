"""Key of composed music (see `chorale_kit` for the scores and how their keys are known)."""

from __future__ import annotations

from functools import cache
from itertools import islice

import numpy as np

from analyzers.model import Key
from tests.analyzers.chorale_kit import Home, chorales, heard, key_of

COUNT = 32


@cache
def answers() -> list[tuple[Home, Key]]:
    return [(home, key_of(wave)) for _, home, wave in islice(chorales(), COUNT)]


def test_chorales_are_heard_in_their_written_keys() -> None:
    right = [heard(key) == home for home, key in answers()]
    assert sum(right) >= 0.93 * COUNT


def test_confidence_claims_no_more_than_the_answers_are_worth() -> None:
    right = np.mean([heard(key) == home for home, key in answers()])
    assert np.mean([key.confidence for _, key in answers()]) <= right + 0.03


def test_their_passing_modulations_are_no_change_of_key() -> None:
    """Without a beat there is no bar line for one; with one see tests/accuracy/harmony.py."""
    assert all(key.changes == () for _, key in answers())
