"""Versions: what counts as one, what changed, by how much the start moved."""

from __future__ import annotations

import base64
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyzers.structure.fingerprint import Fingerprint, Likeness
from daemon.pipeline import versions
from daemon.pipeline.versions import find_version, start_offset_ms, what_changed
from daemon.report.report import Report
from tests.daemon.sample_report import key_of, sample_analysis, sample_report, sample_source, steady_grid

MUSIC = Fingerprint(140.0, 0.75, "AAAA")


@pytest.fixture
def shelf(tmp_path: Path):
    """put(report, folder) lays a report into ready/; find(...) looks for a version among them."""
    ready, state = tmp_path / "ready", tmp_path / "state"
    ready.mkdir()

    class Shelf:
        def put(self, report: Report, folder: str) -> None:
            (ready / folder).mkdir()
            (ready / folder / report.files.report).write_text(report.to_json())

        def find(self, source, analysis=None, music=None):
            return find_version(ready, state, source, analysis or sample_analysis(), music)

    return Shelf()


@pytest.fixture
def likeness(monkeypatch):
    """Decides the comparison of fingerprints by their code: equal first letters are the same music."""

    def same(a: Fingerprint, b: Fingerprint) -> Likeness | None:
        return Likeness(0.9, 8) if a.code[0] == b.code[0] else None

    monkeypatch.setattr(versions, "compare", same)


def other(**changes):
    return sample_source(sha256="cd" * 32, **changes)


def test_new_bytes_under_a_known_name_are_a_version(shelf) -> None:
    shelf.put(sample_report(), "amber-lane")
    quieter = replace(sample_analysis().loudness, integrated_lufs=-10.4)
    found = shelf.find(other(), sample_analysis(key=key_of("C"), loudness=quieter))
    assert (found.match, found.earlier_folder, found.similarity) == ("same name", "amber-lane", None)
    assert [c.text for c in found.changes] == [
        "Key: C minor, before E flat minor.",
        "Level of the producer's file: −10.4 LUFS, before −8.4 LUFS (2.0 LU quieter).",
    ]


def test_the_newest_of_the_same_name_is_compared(shelf) -> None:
    for folder, stamp in (
        ("amber-lane", "2026-11-01"),
        ("amber-lane (2)", "2026-11-20"),
        ("z", "2026-10-01"),
    ):
        shelf.put(sample_report(made_at=stamp, source=sample_source(sha256=stamp[-2:] * 32)), folder)
    assert shelf.find(other()).earlier_folder == "amber-lane (2)"


def test_the_same_name_of_another_producer_is_no_version(shelf) -> None:
    shelf.put(sample_report(), "amber-lane")
    assert shelf.find(other(producer="north-stair")) is None


def test_the_same_bytes_are_no_version_of_themselves(shelf) -> None:
    shelf.put(sample_report(fingerprint=MUSIC), "amber-lane")
    assert shelf.find(sample_source(), music=MUSIC) is None


def test_the_same_music_under_another_name(shelf, likeness) -> None:
    shelf.put(sample_report(fingerprint=MUSIC), "amber-lane")
    shelf.put(sample_report(fingerprint=replace(MUSIC, code="BBBB"), source=other(name="x.wav")), "other")
    found = shelf.find(
        sample_source("copper-tide.wav", sha256="ef" * 32), music=Fingerprint(140.0, 0.25, "AABB")
    )
    assert (found.match, found.earlier_folder, found.similarity) == ("same music", "amber-lane", 0.9)
    # 8 folded beats at 140 BPM are 3428.57 ms; the first column lies 500 ms earlier.
    assert found.start_offset_ms == pytest.approx(8 * 60_000 / 140 - 500, abs=0.01)
    # Bar one lies where it lay: the music is 2928.57 ms, or 6.8 beats of 428.57 ms, further from it.
    assert [c.text for c in found.changes] == [
        "Bars: most of the music lies 1 bar and 3 beats later than before, counted from bar one."
    ]


def test_other_music_under_another_name_is_no_version(shelf, likeness) -> None:
    shelf.put(sample_report(fingerprint=MUSIC), "amber-lane")
    assert shelf.find(other(name="x.wav"), music=replace(MUSIC, code="CCCC")) is None


def codes(*letters: str) -> list[Fingerprint]:
    """Of 32 beats each, drawn by the letter: unlike each other."""
    drawn = [np.random.default_rng(ord(letter)).integers(0, 256, 256, np.uint8) for letter in letters]
    return [replace(MUSIC, code=base64.b64encode(bytes(numbers)).decode()) for numbers in drawn]


def test_other_music_under_a_known_name_is_said_to_be_that(shelf) -> None:
    one, two = codes("a", "b")
    shelf.put(sample_report(fingerprint=one, made_at="2026-11-02"), "amber-lane")
    found = shelf.find(other(), sample_analysis(key=key_of("C")), two)
    assert (found.match, found.similarity, found.changes) == ("same name, other music", None, ())
    assert found.earlier_folder == "amber-lane"
    again = sample_report(fingerprint=two, made_at="2026-11-01", source=sample_source(sha256="ef" * 32))
    shelf.put(again, "amber-lane (2)")
    found = shelf.find(other(), music=two)  # what it is a version of goes before what came later
    assert (found.match, found.earlier_folder) == ("same name", "amber-lane (2)")
    assert shelf.find(other(), music=None).match == "same name"


def test_a_damaged_report_is_no_version(shelf, tmp_path) -> None:
    shelf.put(sample_report(), "amber-lane")
    next((tmp_path / "ready" / "amber-lane").iterdir()).write_text("{")
    assert shelf.find(other()) is None


def test_offset_is_exact() -> None:
    assert start_offset_ms(MUSIC, replace(MUSIC, start_s=0.87), Likeness(1.0, 0)) == pytest.approx(120.0)


@pytest.mark.parametrize(
    ("one_s", "offset_ms", "said"),
    [
        (0.4535, 453.5, ["Start: the same music begins 453.5 ms later in the producer's file than before."]),
        (-2.0, -2000.0, ["Start: the same music begins 2.00 s earlier in the producer's file than before."]),
        (
            0.28,  # four bars of 140 BPM, 6857.1 ms, are gone
            280.0 - 6857.1,
            [
                "Bars: most of the music lies 4 bars earlier than before, counted from bar one.",
                "Start: bar one comes 280.0 ms later in the producer's file than before.",
            ],
        ),
        (0.0, 428.6, ["Bars: most of the music lies 1 beat later than before, counted from bar one."]),
    ],
)
def test_a_start_is_told_from_music_that_came_or_went(
    one_s: float, offset_ms: float, said: list[str]
) -> None:
    before = sample_analysis(grid=steady_grid(bar_one_s=5.0))
    now = sample_analysis(grid=steady_grid(bar_one_s=5.0 + one_s))
    assert [change.text for change in what_changed(before, now, offset_ms)] == said


def test_no_change_no_word() -> None:
    assert what_changed(sample_analysis(), sample_analysis(), 0.4) == []
    respelled = sample_analysis(key=key_of("D sharp", "minor"))  # twelve equal steps: the same key
    assert what_changed(respelled, sample_analysis(), 0.4) == []


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"grid": steady_grid(142.0)}, "Tempo: 142 BPM, before 140 BPM."),
        ({"grid": replace(steady_grid(), tempo_bpm=None)}, "Tempo: none, before 140 BPM."),
        ({"duration_s": 60.0}, "Length: 1 min 00.00 s, before 1 min 06.00 s (6.00 s shorter)."),
        ({"sections": ()}, "Sections: none, before A B A."),
    ],
)
def test_each_change_is_said(changes: dict, text: str) -> None:
    assert text in [c.text for c in what_changed(sample_analysis(), sample_analysis(**changes), None)]
