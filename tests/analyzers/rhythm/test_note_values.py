"""Note values against handbook figures: 120 BPM has quarters of 500 ms, eighths 250, sixteenths 125,
eighth triplets 166.67 (many handbooks); an eighth is 300 ms at 100 BPM and 211.268 ms at 142 BPM
(delay tables as printed by instrument makers); further rows from 60 000 / BPM."""

from __future__ import annotations

import pytest

from analyzers.rhythm.note_values import note_values


@pytest.mark.parametrize(
    ("bpm", "note", "feel", "ms"),
    [
        (120, "1/4", "plain", 500.0),
        (120, "1/8", "plain", 250.0),
        (120, "1/16", "plain", 125.0),
        (120, "1/8", "triplet", 166.667),
        (100, "1/8", "plain", 300.0),
        (142, "1/8", "plain", 211.268),
        (140, "1/1", "plain", 1714.286),
        (140, "1/4", "dotted", 642.857),
        (140, "1/32", "plain", 53.571),
        (174, "1/8", "triplet", 114.943),
        (75, "1/2", "plain", 1600.0),
    ],
)
def test_handbook_values(bpm: float, note: str, feel: str, ms: float) -> None:
    rows = {(row.note, row.feel): row for row in note_values(bpm)}
    assert len(rows) == 18
    assert rows[note, feel].ms == pytest.approx(ms, abs=0.0005)
    assert rows[note, feel].hz == pytest.approx(1000 / ms, rel=1e-5)


@pytest.mark.parametrize("bpm", [None, 0.0, -1.0, float("nan")])
def test_no_tempo_no_rows(bpm: float | None) -> None:
    assert note_values(bpm) == ()
