"""The accuracy gate: what the analysis must still be able to do, on generated beats with exact truth.

`gate.py` beside it draws the beats (seeds that nothing was trained on, 36 s each, with every hardship) and
says what the figures are; about a minute on one core. Beside each bound stands the figure that was measured
when the bound was set; the room between them is one or two beats of thirty for shares, and for the rest what
another machine's arithmetic may move. A figure that got better is no failure: set the bound anew.
"""

from __future__ import annotations

import pytest

from tests.accuracy.gate import marks

AT_LEAST = (  # figure, bound, measured
    ("tempo at its level", 0.90, 0.967),
    ("tempo up to the octave", 0.90, 0.967),
    ("constant or not", 0.83, 0.900),
    ("meter", 0.93, 1.000),
    ("beat F", 0.90, 0.934),
    ("bar line on its beat", 0.90, 0.967),
    ("bar line within 5 ms", 0.76, 0.833),
    ("bar one", 0.86, 0.933),
    ("key", 0.79, 0.862),
    ("key, MIREX", 0.83, 0.890),
    ("chords: root", 0.895, 0.922),
    ("chords: majmin", 0.895, 0.920),
    ("chords: sevenths", 0.875, 0.903),
    ("sections, boundaries at 3 s", 0.50, 0.559),
    ("bar line, signed mean ms", -0.40, -0.012),
)
AT_MOST = (
    ("bar line, signed mean ms", 0.40, -0.012),
    ("bar line, median ms", 0.80, 0.533),
    ("drift at the last beat, median ms", 0.80, 0.533),
    ("drift at the last beat, 90th percentile ms", 5.00, 3.530),
    ("tempo found where none is", 0, 0),
    ("key changes too many", 2, 1),
    ("sure of a key where none is", 0, 0),
    ("tuning, median cents", 0.60, 0.420),
    ("tuning, 90th percentile cents", 1.80, 1.274),
    ("tempo: calibration error", 0.06, 0.023),
    ("tempo: too sure by", 0.04, -0.002),
    ("tempo: Brier score", 0.03, 0.005),
    ("bar one: calibration error", 0.10, 0.055),
    ("bar one: too sure by", 0.05, -0.005),
    ("bar one: Brier score", 0.075, 0.048),
    ("key: calibration error", 0.16, 0.118),
    ("key: too sure by", 0.09, 0.037),
    ("key: Brier score", 0.14, 0.110),
    ("chords: calibration error", 0.045, 0.026),
    ("chords: too sure by", 0.025, 0.002),
    ("chords: Brier score", 0.080, 0.066),
)


@pytest.fixture(scope="module")
def found() -> dict[str, float]:
    return marks()


@pytest.mark.parametrize(("figure", "bound", "measured"), AT_LEAST)
def test_at_least(found: dict[str, float], figure: str, bound: float, measured: float) -> None:
    assert found[figure] >= bound, f"{figure} was {measured} when the bound was set"


@pytest.mark.parametrize(("figure", "bound", "measured"), AT_MOST)
def test_at_most(found: dict[str, float], figure: str, bound: float, measured: float) -> None:
    assert found[figure] <= bound, f"{figure} was {measured} when the bound was set"


def test_every_bound_is_on_the_right_side_of_what_was_measured() -> None:
    assert all(bound <= measured for _, bound, measured in AT_LEAST)
    assert all(bound >= measured for _, bound, measured in AT_MOST)
