"""Reports compared with the truth, from folders that look like the service's."""

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from demo.outcome import bar_one_error_ms, read_outcomes, table, verdict, wrong_answers
from demo.render import render
from demo.scenario import DemoBeat
from demo.spec import random_spec
from demo.theory import parse_key


@pytest.fixture(scope="module")
def truth():
    _, made = render(random_spec(3, kind="beat", style="house", length_s=10))
    return replace(made, tempo_bpm=120.0, tempo_ok=(120.0,), first_downbeat_s=0.5, first_sound_s=0.5,
                   key_tonic="E flat", key_mode="minor", key_ok=("E flat minor",))  # fmt: skip


RATE = 44100


def publish(folder, beat, confidence=0.95, zero_s=0.5, lost=0, pad_s=0.0, **values):
    """A report and a copy from `zero_s` of a beat whose music starts at 0.5 s, `lost` frames of it silent."""
    given = {"tempo": 120.0, "bar_one": 0.5, "key": "E flat minor", "first_sound": 0.5} | values
    answers = {name: {"value": value, "confidence": confidence} for name, value in given.items()}
    place = folder / "ready" / beat.title
    place.mkdir(parents=True)
    sound = np.random.default_rng(4).uniform(-0.5, 0.5, RATE)
    source = np.concatenate([np.zeros(RATE // 2), sound])
    soundfile.write(beat.path, source, RATE, subtype="FLOAT")
    start, pad = round(zero_s * RATE), round(pad_s * RATE)
    copy = np.concatenate([np.zeros(pad), source[start:]])
    copy[pad : pad + lost] = 0
    soundfile.write(place / "a copy.wav", copy, RATE, subtype="FLOAT")
    record = {
        "drop": {"producer": beat.producer, "name": beat.path.name, "rate": RATE},
        "answers": answers,
        "cut": {"source_start": start, "pad_samples": pad},
        "aligned_copy": {"file": "a copy.wav", "gain_db": 0.0},
    }
    (place / f"{beat.title}.report.json").write_text(json.dumps(record))


def outcome_of(tmp_path, beat):
    return read_outcomes([beat], tmp_path / "ready", tmp_path / "rejected")[0]


@pytest.fixture
def beat(tmp_path, truth):
    return DemoBeat(tmp_path / "a.wav", "odette-marl", "a", "WAV 16 bit", truth)


def test_a_right_report_is_right(tmp_path, beat):
    publish(tmp_path, beat)
    outcome = outcome_of(tmp_path, beat)
    assert outcome.as_expected
    assert verdict(outcome) == "right"
    assert bar_one_error_ms(outcome) == pytest.approx(0.0)


@pytest.mark.parametrize(("values", "wrong"), [
    ({"tempo": 121.0}, ["tempo"]),
    ({"tempo": 120.2}, ["tempo"]),
    ({"tempo": 120.01}, []),
    ({"tempo": None}, ["tempo"]),
    ({"bar_one": 0.515}, ["bar one"]),
    ({"bar_one": None}, ["bar one"]),
    ({"key": "F sharp major"}, ["key"]),
    ({"key": None}, ["key"]),
    ({"key": "D sharp minor"}, []),
])  # fmt: skip
def test_each_wrong_answer_is_named(tmp_path, beat, values, wrong):
    publish(tmp_path, beat, **values)
    outcome = outcome_of(tmp_path, beat)
    assert wrong_answers(outcome) == wrong
    assert all(f"{name} WRONG" in verdict(outcome) for name in wrong)
    assert outcome.as_expected == (wrong == [])


@pytest.mark.parametrize(("how", "right"), [
    ({}, True),
    ({"zero_s": 0.497}, True),
    ({"zero_s": 0.493}, False),  # 7 ms of silence
    ({"zero_s": 0.0}, False),  # nothing cut
    ({"pad_s": 1.5}, False),  # a bar of silence put in front
    ({"zero_s": 0.504}, False),  # the hit is cut
    ({"lost": 200}, False),  # the file has not what its report says
])  # fmt: skip
def test_a_badly_cut_copy_is_named(tmp_path, beat, how, right):
    publish(tmp_path, beat, **how)
    outcome = outcome_of(tmp_path, beat)
    assert wrong_answers(outcome) == ([] if right else ["copy"])
    assert outcome.as_expected is right
    assert ("copy WRONG" in table([outcome])) is not right


@pytest.mark.parametrize(("zero_s", "right"), [(0.0, False), (0.5, False), (0.25, True)])
def test_a_pickup_keeps_its_place_in_the_bar_in_front(tmp_path, beat, zero_s, right):
    """Bar one at 0.5 s, bars of 0.25 s; the music starts a beat of 0.0625 s early."""
    beats = tuple((0.5 + k / 16, int(k % 4 == 0)) for k in range(16))
    truth = replace(beat.truth, beats=beats, beats_per_bar=4, pickup_beats=1.0, first_sound_s=0.4375)
    beat = replace(beat, truth=truth)
    publish(tmp_path, beat, zero_s=zero_s)
    assert ("copy" not in wrong_answers(outcome_of(tmp_path, beat))) is right


def test_an_uncertain_answer_is_told_apart_from_a_confident_one(tmp_path, beat):
    publish(tmp_path, beat, confidence=0.4, key="C major")
    outcome = outcome_of(tmp_path, beat)
    text = verdict(outcome)
    assert "key WRONG (asks for ears)" in text
    assert not outcome.as_expected
    assert "tempo right, asks for ears" in text


def test_a_missing_and_a_rejected_beat_are_not_as_expected_but_a_rejected_wreck_is(tmp_path, beat):
    assert outcome_of(tmp_path, beat).state == "missing"
    place = tmp_path / "rejected" / "a"
    place.mkdir(parents=True)
    facts = {"drop": {"producer": beat.producer, "name": beat.path.name}, "reason": "it cannot be opened"}
    (place / "rejected.json").write_text(json.dumps(facts))
    refused = outcome_of(tmp_path, beat)
    assert not refused.as_expected
    assert verdict(refused).startswith("NOT PUBLISHED")
    wreck = outcome_of(tmp_path, replace(beat, truth=None))
    assert wreck.as_expected
    assert wreck.reason == "it cannot be opened"
    assert not replace(wreck, reason="a module is missing. please report it with the log.").as_expected


def test_the_columns_of_the_table_are_aligned(tmp_path, beat):
    publish(tmp_path, beat)
    lines = table([outcome_of(tmp_path, beat)]).splitlines()
    assert lines[0].index("verdict") == lines[2].index("right")


@pytest.mark.parametrize(("name", "expected"), [
    ("E flat minor", (3, "minor")), ("D sharp minor", (3, "minor")), ("B mixolydian", (11, "major")),
    ("C harmonic minor", (0, "minor")),
])  # fmt: skip
def test_key_names_are_read_by_pitch(name, expected):
    assert parse_key(name) == expected
    with pytest.raises(ValueError, match="not a key"):
        parse_key("loud")
