"""Probabilities in the report's answers."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from analyzers.model import BarOneCandidate, MeterCandidate, TempoCandidate
from daemon.corrections.apply import Correction, apply_correction
from daemon.report.report import Report
from tests.daemon.sample_report import (
    BAR_ONE_S,
    blues_in_a,
    moving_grid,
    sample_analysis,
    sample_report,
    steady_grid,
)


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


def test_other_places_of_bar_one_are_told_in_its_own_unit_beside_it() -> None:
    doubted = replace(
        steady_grid(), bar_one_confidence=0.6, bar_one_alternatives=(BarOneCandidate(2.0, 0.3),)
    )
    told = sample_report(sample_analysis(grid=doubted)).answers.bar_one
    assert [(a.value, a.probability) for a in told.alternatives] == [
        (BAR_ONE_S, 0.6),
        (pytest.approx(BAR_ONE_S + 2 * 60 / 140), 0.3),
    ]
    assert sample_report().answers.bar_one.alternatives == ()
    meter = replace(steady_grid(), meter_confidence=0.6, meter_alternatives=(MeterCandidate("3/4", 0.3),))
    told = sample_report(sample_analysis(grid=meter)).answers.meter
    assert [(a.value, a.probability) for a in told.alternatives] == [("4/4", 0.6), ("3/4", 0.3)]


def test_what_comes_before_bar_one_is_said_once() -> None:
    """56 ms of sound is no pickup that is counted, and no silence either: the cut says which."""
    early = replace(sample_analysis().lead_in, first_sound_s=BAR_ONE_S - 0.056)
    report = sample_report(sample_analysis(lead_in=early))
    assert report.cut.before_bar_one == "sound from 56 ms before it in bar 1"
    assert report.answers.bar_one.evidence == ()


def test_a_blues_is_an_answer_of_its_own_and_none_where_the_key_was_set_by_hand() -> None:
    found = sample_analysis(key=blues_in_a())
    answers = sample_report(found).answers
    assert answers.blues is not None
    assert (answers.blues.value, answers.blues.confidence) == ("blues in A", 0.93)
    told = {item.what: item.value for item in answers.blues.evidence}
    assert told == {
        "form": 12.0,
        "first whole chorus": BAR_ONE_S,
        "notes": "A, B, C, C sharp, D, E flat, E, F sharp, G",
    }
    assert answers.key.value == "A major"
    assert sample_report().answers.blues is None
    by_hand = apply_correction(found, Correction(key="D major"))
    assert (by_hand.key.tonic, by_hand.key.blues) == ("D", None)


def test_a_report_keeps_a_blues_and_one_without_the_field_is_read() -> None:
    report = sample_report(sample_analysis(key=blues_in_a()))
    again = Report.model_validate_json(report.model_dump_json())
    assert again.analysis.key.blues == blues_in_a().blues
    older = json.loads(report.model_dump_json())
    del older["analysis"]["key"]["blues"], older["answers"]["blues"]
    assert Report.model_validate(older).analysis.key.blues is None


def test_a_blues_set_by_hand_has_its_notes_and_claims_no_form_that_nobody_found() -> None:
    """Notes of a blues, common practice: the major scale with flattened third, fifth and seventh beside."""
    found = sample_analysis()
    correction = Correction(key="blues in A")
    corrected = apply_correction(found, correction)
    assert (corrected.key.tonic, corrected.key.mode) == ("A", "major")
    assert corrected.key.relative is not None
    assert corrected.key.parallel is not None
    assert (corrected.key.relative.tonic, corrected.key.parallel.tonic) == ("F sharp", "A")

    answers = sample_report(found, corrections=correction).answers
    assert answers.key.set_by_hand
    assert answers.blues is not None
    assert (answers.blues.value, answers.blues.set_by_hand, answers.blues.confidence) == (
        "blues in A",
        True,
        1,
    )
    assert [item.what for item in answers.blues.evidence] == ["notes"]


def test_a_blues_confirmed_by_hand_keeps_the_form_that_was_found() -> None:
    found = sample_analysis(key=blues_in_a())
    corrected = apply_correction(found, Correction(key="blues in A"))
    assert corrected.key.blues is not None
    assert corrected.key.blues.bars == 12
    minor = apply_correction(found, Correction(key="minor blues in A"))
    assert minor.key.blues is not None
    assert (minor.key.mode, minor.key.blues.minor, minor.key.blues.bars) == ("minor", True, 0)


@pytest.mark.parametrize(("key", "later"), [("blues in A", "D minor"), ("A major", "blues in D")])
def test_a_blues_is_the_key_of_the_whole_song(key: str, later: str) -> None:
    with pytest.raises(ValueError, match="whole song"):
        Correction(key=key, key_changes=((30.0, later),))


def test_where_the_tempo_changes_once_the_estimate_says_both_and_from_where() -> None:
    grid = moving_grid((32, 90.0), (64, 120.0))
    told = {e.what: e.value for e in sample_report(sample_analysis(grid=grid)).answers.tempo.evidence}
    at_s = BAR_ONE_S + 32 * 60 / 90
    assert told[f"tempo until {at_s:.2f} s of the file"] == 90.0
    assert told[f"tempo from {at_s:.2f} s of the file on"] == 120.0
    for one in (steady_grid(), moving_grid((32, 90.0), (64, 90.0)), moving_grid((8, 90), (8, 91), (8, 92))):
        evidence = sample_report(sample_analysis(grid=one)).answers.tempo.evidence
        assert not any("of the file" in e.what for e in evidence)
