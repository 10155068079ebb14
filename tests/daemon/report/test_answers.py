"""Probabilities in the report's answers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import TempoCandidate
from daemon.report.report import Report
from tests.daemon.sample_report import sample_analysis, sample_report, steady_grid


def with_rival(probability: float) -> Report:
    rival = TempoCandidate(70.0, probability)
    return sample_report(sample_analysis(grid=replace(steady_grid(), tempo_alternatives=(rival,))))


@pytest.mark.parametrize(("summed", "said"), [(1 + 1e-12, 1.0), (-1e-12, 0.0), (0.3, 0.3)])
def test_what_rounding_adds_to_a_probability_is_taken_off(summed: float, said: float) -> None:
    assert with_rival(summed).answers.tempo.alternatives[0].probability == said


@pytest.mark.parametrize("wrong", [1.01, -0.01])
def test_what_is_no_probability_is_refused(wrong: float) -> None:
    with pytest.raises(Exception, match="probability"):
        with_rival(wrong)
