"""The figures of agreement on answers made up for it, and the whole way on one beat cut in excerpts."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from demo.render import render
from demo.spec import random_spec
from tests.accuracy.excerpts import Heard, listen, table
from tests.accuracy.grid import same_tempo

WHOLE = Heard(120.0, 0.9, (0, True), 0.9)


def test_agreement_is_counted_by_how_sure_the_excerpt_is() -> None:
    excerpts = [
        Heard(121.0, 0.95, (0, True), 0.85),
        Heard(60.0, 0.85, (3, False), 0.6),
        Heard(90.0, 0.3, None, 0.2),
        Heard(None, 0.1, (0, True), 0.4),
    ]
    tempo, octaves, key, pairs = table([(WHOLE, excerpts)])

    assert "0.250 of 4; said with .8 or more 0.500 of 2, .5 to .8 - of 0, less 0.000 of 1; none 1" in tempo
    assert "0.500 of 4; said with .8 or more 1.000 of 2" in octaves
    assert "0.500 of 4; said with .8 or more 1.000 of 1, .5 to .8 0.000 of 1, less 1.000 of 1; none 1" in key
    assert pairs == "pairs of excerpts: tempo 0.000 of 3, key 0.333 of 3"


@pytest.mark.parametrize(
    "whole",
    [
        Heard(120.0, 0.7, (0, True), 0.7),  # not sure
        Heard(120.0, 0.9, (0, True), 0.9, settled=False),
        Heard(None, 0.9, None, 0.9),
    ],
)
def test_a_whole_without_one_sure_answer_is_no_measure(whole: Heard) -> None:
    assert all("- of 0" in line for line in table([(whole, [WHOLE])]))


def test_four_per_cent_is_the_same_tempo() -> None:
    assert same_tempo(124.0, 120.0)
    assert not same_tempo(125.0, 120.0)
    assert not same_tempo(None, 120.0)


def test_a_file_is_heard_whole_and_in_excerpts(tmp_path: Path) -> None:
    samples, truth = render(random_spec(100_000, kind="beat", length_s=70.0))
    soundfile.write(tmp_path / "beat.flac", samples, truth.samplerate)
    (tmp_path / "no.wav").write_bytes(b"no audio")
    soundfile.write(tmp_path / "short.wav", samples[: 10 * truth.samplerate], truth.samplerate)

    found = listen(tmp_path / "beat.flac", 2, 1)

    assert found is not None
    assert [same_tempo(h.bpm, truth.tempo_bpm) for h in (found[0], *found[1])] == [True] * 3
    assert listen(tmp_path / "no.wav", 2, 1) is None
    assert listen(tmp_path / "short.wav", 2, 1) is None
