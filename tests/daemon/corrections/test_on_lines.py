"""On a corrected grid what begins with a bar begins on one of its lines, and has that line's number."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import Analysis, KeyChange, Section
from analyzers.rhythm.bars import bar_lines
from daemon.corrections.apply import Correction, apply_correction
from daemon.corrections.on_lines import sections_on_lines
from daemon.corrections.words import make_correction
from tests.daemon.sample_report import (
    BAR_ONE_S,
    DURATION_S,
    blues_in_a,
    key_of,
    sample_analysis,
    steady_grid,
)

BAR_S = 4 * 60 / 140


def slowing() -> Analysis:
    """From 140 BPM to 100 within 40 bars, sections at bars 1, 9, 21."""
    beats = [BAR_ONE_S]
    for k in range(160):
        beats.append(beats[-1] + 60 / (140 - 0.25 * k))
    grid = replace(
        steady_grid(),
        tempo_bpm=120.0,
        constant_tempo=False,
        tempo_curve=tuple((at, 140 - 0.25 * k) for k, at in enumerate(beats)),
        beats_s=tuple(beats),
        downbeats=tuple(k % 4 == 0 for k in range(len(beats))),
        proof=None,
    )
    starts, end_s = [beats[4 * (bar - 1)] for bar in (1, 9, 21)], beats[-1] + 0.3
    parts = zip("ABA", (1, 9, 21), starts, [*starts[1:], end_s], strict=True)
    sections = tuple(Section(a, b, letter, bar, 0.9) for letter, bar, a, b in parts)
    return sample_analysis(duration_s=end_s, grid=grid, sections=sections)


@pytest.mark.parametrize(
    ("wanted", "bars"),
    [
        ({"bar_one": "+1 beat"}, [0, 9, 21]),  # the first beat is a pickup now, and the first section's
        ({"bar_one": "+1 bar"}, [0, 8, 20]),
        ({"bar_one": "+2 bars"}, [-1, 7, 19]),
        ({"half": True}, [1, 5, 11]),
        ({"double": True}, [1, 17, 41]),
        ({"meter": "3/4"}, [1, 12, 28]),  # 33 and 81 beats on: nearer than 30 and 78 to 32 and 80
    ],
)
def test_sections_of_a_moving_beat(wanted: dict, bars: list[int]) -> None:
    corrected = apply_correction(slowing(), make_correction(wanted, slowing(), None))
    lines = dict(bar_lines(corrected.grid))
    sections = corrected.sections
    assert [s.first_bar for s in sections] == bars
    assert [s.start_s for s in sections if s.first_bar in lines] == [lines[b] for b in bars if b in lines]
    assert [s.end_s for s in sections] == [*(s.start_s for s in sections[1:]), corrected.duration_s]


def test_of_two_sections_on_one_line_the_later_is_left() -> None:
    short = Section(BAR_ONE_S + 8 * BAR_S, BAR_ONE_S + 9 * BAR_S, "C", 9, 0.5)
    rest = Section(BAR_ONE_S + 9 * BAR_S, DURATION_S, "B", 10, 0.9)
    analysis = sample_analysis(sections=(Section(BAR_ONE_S, short.start_s, "A", 1, 0.9), short, rest))
    found = apply_correction(analysis, Correction(tempo_bpm=35.0)).sections
    assert [(s.letter, s.first_bar) for s in found] == [("A", 1), ("B", 3)]
    assert found[0].end_s == found[1].start_s


def test_what_begins_with_the_file_ahead_of_all_lines_stays_there() -> None:
    early = Section(0.0, BAR_ONE_S + 8 * BAR_S, "A", 0, 0.9)
    found = sections_on_lines((early,), steady_grid(bar_one_s=1.5))
    assert (found[0].start_s, found[0].first_bar) == (0.0, 0)


def test_a_key_set_at_a_bar_is_on_a_line_after_another_tempo() -> None:
    analysis = sample_analysis()
    first = make_correction({"key": "C minor, then D minor at bar 22"}, analysis, None)
    for wanted in ({"tempo": 139.2}, {"bar_one": "+1 beat"}, {"meter": "3/4"}):
        corrected = apply_correction(analysis, make_correction(wanted, analysis, first))
        [change] = corrected.key.changes
        line = min((at for _, at in bar_lines(corrected.grid)), key=lambda at: abs(at - change.at_s))
        assert change.at_s == line
        assert change.at_s == pytest.approx(first.key_changes[0][0], abs=BAR_S / 2)
    slower = apply_correction(analysis, make_correction({"tempo": 139.2}, analysis, first))
    assert dict(bar_lines(slower.grid))[22] == slower.key.changes[0].at_s


def test_a_key_change_and_a_chorus_that_were_found_go_along() -> None:
    found = KeyChange(BAR_ONE_S + 8 * BAR_S, "F", "minor", 0.9)
    analysis = sample_analysis(key=replace(key_of(), changes=(found,)))
    corrected = apply_correction(analysis, Correction(tempo_bpm=138.0))
    assert corrected.key.changes[0].at_s == dict(bar_lines(corrected.grid))[9]
    assert apply_correction(analysis, Correction(tuning_cents=5.0)).key == analysis.key
    blues = sample_analysis(key=blues_in_a(BAR_ONE_S + 8 * BAR_S))
    corrected = apply_correction(blues, Correction(tempo_bpm=138.0))
    assert corrected.key.blues is not None
    assert corrected.key.blues.first_chorus_s == dict(bar_lines(corrected.grid))[9]
