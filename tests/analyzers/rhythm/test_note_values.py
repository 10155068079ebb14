"""Note values against handbook figures: 120 BPM has quarters of 500 ms, eighths 250, sixteenths 125,
eighth triplets 166.67 (many handbooks); an eighth is 300 ms at 100 BPM and 211.268 ms at 142 BPM
(delay tables as printed by instrument makers); further rows from 60 000 / BPM."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.rhythm.note_values import beat_note, in_quarters, note_values, quarters_in_beat
from tests.daemon.sample_report import no_steady_beat, steady_grid


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


# A dotted quarter is three eighths, a half note two quarters: any handbook of notation.
@pytest.mark.parametrize(
    ("meter", "per_bar", "quarters", "note"),
    [
        ("4/4", 4, 1.0, None),
        ("3/4", 3, 1.0, None),
        ("6/8", 2, 1.5, "dotted quarter"),
        ("12/8", 4, 1.5, "dotted quarter"),
        ("6/8", 6, 0.5, "eighth"),
        ("7/8", 7, 0.5, "eighth"),
        ("2/2", 2, 2.0, "half note"),
        ("9/16", 3, 0.75, "dotted eighth"),
        (None, 4, 1.0, None),
    ],
)
def test_the_note_that_a_tempo_counts(
    meter: str | None, per_bar: int, quarters: float, note: str | None
) -> None:
    grid = replace(steady_grid(75.0), meter=meter, beats_per_bar=per_bar)
    assert (quarters_in_beat(grid), beat_note(grid)) == (quarters, note)
    assert in_quarters(grid).tempo_bpm == 75.0 * quarters
    assert in_quarters(grid).tempo_curve == ((0.0, 75.0 * quarters),)


def test_no_tempo_has_none_in_quarters() -> None:
    grid = replace(no_steady_beat(), meter="6/8", beats_per_bar=2)
    assert in_quarters(grid) == grid
