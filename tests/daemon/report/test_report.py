"""The sidecar report: round trip, schema, evidence, what needs ears, the machine line."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzers.model import Analysis, Flag, Tuning
from config.settings import AnalysisSettings, Settings
from daemon.core.errors import InternalError, MachineError
from daemon.corrections.apply import Correction
from daemon.decode.tags import ProducerClaim
from daemon.report.machine import machine_line
from daemon.report.parts import Estimate
from daemon.report.report import SCHEMA_FILE, Report, read_report, schema_text
from tests.daemon.sample_report import (
    key_of,
    no_steady_beat,
    sample_analysis,
    sample_copy,
    sample_report,
    sample_source,
    sample_stem,
    steady_grid,
)

finite = st.floats(allow_nan=False, allow_infinity=False)
st.register_type_strategy(float, finite)
text = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12)
st.register_type_strategy(str, text)


def schema() -> dict:
    return json.loads(SCHEMA_FILE.read_text())


@settings(max_examples=60)
@given(st.from_type(Analysis))
def test_any_analysis_comes_back_exactly(analysis: Analysis) -> None:
    base = sample_report()
    report = base.model_copy(update={"analysis": analysis})
    assert Report.model_validate_json(report.to_json()).analysis == analysis


def test_a_report_is_the_same_for_the_same_input_and_reads_back() -> None:
    report = sample_report()
    assert report.to_json() == sample_report().to_json()
    again = Report.model_validate_json(report.to_json())
    assert again == report
    assert again.analysis == sample_analysis()


def test_the_only_time_of_day_is_made_at() -> None:
    plain, stamped = sample_report(), sample_report(made_at="2026-11-25T09:00:00+00:00")
    assert stamped.model_copy(update={"made_at": None}) == plain


def test_shipped_schema_is_current_and_holds_for_reports() -> None:
    assert SCHEMA_FILE.read_text() == schema_text()
    jsonschema.Draft202012Validator.check_schema(schema())
    for report in (
        sample_report(),
        sample_report(corrections=Correction(tempo_bpm=70.0, key="C minor")),
        sample_report(
            claims=[ProducerClaim(question="tempo", text="150bpm", where="file name", value=150.0)]
        ),
    ):
        jsonschema.validate(json.loads(report.to_json()), schema())


def test_schema_refuses_what_is_no_report() -> None:
    broken = json.loads(sample_report().to_json())
    broken["answers"]["tempo"]["confidence"] = 1.5
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, schema())


def test_unknown_is_null_with_a_reason() -> None:
    grid = no_steady_beat()
    report = sample_report(sample_analysis(grid=grid))
    for name in ("tempo", "constant_tempo", "meter", "bar_one"):
        estimate = getattr(report.answers, name)
        assert estimate.value is None
        assert estimate.reason == "no steady beat"
    with pytest.raises(ValueError, match="reason"):
        Estimate(value=None)


def test_every_estimate_can_be_checked() -> None:
    answers = sample_report().answers
    assert [a.value for a in answers.tempo.alternatives] == [140.0, 70.0]
    evidence = {e.what: e.value for e in answers.tempo.evidence}
    assert evidence["half of them lie within"] == 0.8
    assert evidence["share of all clear attacks that they are"] == 91.0
    assert evidence["share that chance would put there"] == 42.0
    assert evidence["share in that of four parts of the song which has fewest"] == 80.5
    assert answers.key.value == "E flat minor"
    assert answers.integrated_loudness.confidence is None
    assert "BS.1770" in str(answers.integrated_loudness.evidence[0].value)


def test_nothing_needs_ears_when_all_is_sure() -> None:
    assert sample_report().check_by_ear == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"grid": replace(steady_grid(), tempo_confidence=0.6)},
            "Tempo: 140 BPM is 60 % sure. Listen to the click check.",
        ),
        (
            {"grid": replace(steady_grid(), bar_one_confidence=0.5)},
            "First bar: bar 1 of the copy is 50 % sure",
        ),
        ({"grid": replace(steady_grid(), meter_confidence=0.5)}, "Meter: 4/4 is 50 % sure"),
        ({"grid": replace(steady_grid(), constant_confidence=0.5)}, "constant is 50 % sure"),
        ({"key": key_of(confidence=0.55)}, "Key: E flat minor is 55 % sure; it could be F sharp major"),
        (
            {"key": replace(key_of(), tonic=None, mode=None, reason="only drums")},
            "Key: none. Only drums. Hear",
        ),
        (
            {"tuning": Tuning(-32.0, 431.9, 0.9)},
            "32 cents below A4 = 440 Hz. Set pitch correction to A4 = 431.9",
        ),
        (
            {"flags": (Flag("clipping", "warning", "Clipped 12 times", "Ask for another bounce"),)},
            "Signal: Clipped 12 times. Hear the loudest bars for crackle. Ask",
        ),
    ],
)
def test_what_needs_ears_is_said(changes: dict, words: str) -> None:
    lines = sample_report(sample_analysis(**changes)).check_by_ear
    assert len(lines) == 1
    assert words in lines[0]


def test_tuning_within_the_configured_limit_is_not_listed() -> None:
    tuned = sample_analysis(tuning=Tuning(4.9, 441.2, 0.9))
    assert sample_report(tuned).check_by_ear == ()
    strict = Settings(analysis=AnalysisSettings(tuning_flag_cents=2.0))
    assert len(sample_report(tuned, settings=strict).check_by_ear) == 1


@pytest.mark.parametrize(
    ("question", "value", "agrees", "relation"),
    [
        ("tempo", 140.0, True, "as measured"),
        ("tempo", 70.0, False, "half of what was measured"),
        ("tempo", 150.0, False, "not what was measured"),
        ("key", "D sharp minor", True, "as measured"),
        ("key", "F sharp major", False, "the same notes as the measured E flat minor, another tonic"),
        ("key", "C major", False, "not what was measured"),
    ],
)
def test_claims_are_compared(question: str, value: float | str, agrees: bool, relation: str) -> None:
    report = sample_report(
        claims=[ProducerClaim(question=question, text="x", where="file name", value=value)]
    )
    assert report.claims[0].agrees is agrees
    assert report.claims[0].relation == relation
    assert bool(report.check_by_ear) is not agrees


def test_stems_and_decoding_warnings_need_ears() -> None:
    report = sample_report(
        source=sample_source(warnings=("the header promises more than the file holds",)),
        stems=[
            (sample_stem("bass.wav", notes=("left and right are opposite",)), sample_copy("bass.wav")),
            (sample_stem("pad.wav"), sample_copy("pad.wav")),
        ],
    )
    joined = " ".join(report.check_by_ear)
    assert "header promises more" in joined
    assert "Stems: bass: Left and right are opposite. Hear it alone." in joined
    assert "pad.wav" not in joined


def test_set_by_hand_is_said_and_measured_value_is_kept() -> None:
    report = sample_report(
        sample_analysis(grid=replace(steady_grid(), tempo_confidence=0.4)),
        corrections=Correction(tempo_bpm=70.0, key="C minor"),
    )
    tempo = report.answers.tempo
    assert (tempo.value, tempo.set_by_hand, tempo.measured, tempo.confidence) == (70.0, True, 140.0, 1.0)
    assert report.answers.key.measured == "E flat minor"
    assert report.check_by_ear == ()
    assert report.analysis.grid.tempo_bpm == 140.0
    assert report.corrected().grid.tempo_bpm == 70.0
    assert report.summary()["set_by_hand"] == ["tempo", "key"]


def test_hostile_and_undecodable_names_survive() -> None:
    report = sample_report(source=sample_source("beat\udcff<b>\x1b[31m.wav", tags={"a\udcfe": "\x00"}))
    again = Report.model_validate_json(report.to_json())
    assert again.drop.name == "beat\\xff<b>\\x1b[31m.wav"
    assert again.to_json().isascii()


def test_not_a_number_never_reaches_a_report() -> None:
    with pytest.raises(InternalError, match="no report may hold"):
        sample_report(sample_analysis(tuning=Tuning(float("nan"), 440.0, 0.5)))


def test_damaged_report_says_what_to_do(tmp_path) -> None:
    path = tmp_path / "x.report.json"
    path.write_text(sample_report().to_json()[:-40])
    with pytest.raises(MachineError, match="process --again"):
        read_report(path)
    with pytest.raises(MachineError, match="cannot be read"):
        read_report(tmp_path / "none.json")


def test_number_lists_are_on_one_line_and_names_untouched() -> None:
    name = "a [\n 1, 2\n] [ 1, 2 ].wav"
    report = sample_report(source=sample_source(name))
    assert json.loads(report.to_json()) == report.model_dump(mode="json")
    assert report.to_json().count("\n") < 1500


# The fields and their order are the project's contract for scripts.
LINE_FIELDS = [
    "file",
    "tempo_bpm",
    "tempo_confidence",
    "tempo_alternatives",
    "constant_tempo",
    "meter",
    "first_downbeat_s",
    "bar_one_confidence",
    "first_sound_s",
    "beats",
    "key_tonic",
    "key_mode",
    "key_confidence",
    "key_alternatives",
    "key_changes",
    "tuning_cents",
    "chords",
    "sections",
    "lufs",
    "lra",
    "true_peak_dbtp",
    "flags",
    "seconds",
]


def test_machine_line_has_exactly_the_contract_fields() -> None:
    line = machine_line(
        "a.wav", sample_analysis(), settings=Settings(), seconds=1.23456, warnings=["cut short"]
    )
    assert list(line) == LINE_FIELDS
    assert json.loads(json.dumps(line, allow_nan=False)) == line
    assert line["first_downbeat_s"] == 0.75
    assert line["beats"][0] == pytest.approx([0.75 - 60 / 140, 0])
    assert [0.75, 1] in line["beats"]
    assert line["tempo_alternatives"][1] == [70.0, 0.02]
    assert line["flags"] == ["File: Cut short.", "True peak is 0.4 dBTP."]
    assert line["seconds"] == 1.235


def test_machine_line_says_when_there_is_no_tempo_or_key() -> None:
    grid = replace(steady_grid(), tempo_bpm=None, constant_tempo=None, reason="no steady beat")
    key = replace(key_of(), tonic=None, mode=None, reason="only drums")
    line = machine_line("a.wav", sample_analysis(grid=grid, key=key), settings=Settings())
    assert line["tempo_bpm"] is None
    assert any("Tempo: none. No steady beat" in flag for flag in line["flags"])
    assert any("Key: none. Only drums" in flag for flag in line["flags"])
