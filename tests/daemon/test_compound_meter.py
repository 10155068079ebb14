"""In 6/8 a tempo counts dotted quarters, a session quarters: every place says which number is which.

75 dotted quarters a minute are 112.5 quarters (any handbook of notation).
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import mido
import pytest

from analyzers.harmony.note_sets import note_sets
from analyzers.model import Grid, TempoCandidate
from daemon.core.names import tempo_words
from daemon.corrections.apply import Correction
from daemon.decode.tags import ProducerClaim
from daemon.export.midimap import write_map
from daemon.export.plan import plan_cut
from daemon.export.score import make_score
from daemon.report.board import render_board
from daemon.report.card import card
from daemon.report.claims import judge_claim
from daemon.report.page import delay_rows
from daemon.report.page_corrections import fixes
from daemon.report.report import Report
from tests.daemon.report.test_board import row
from tests.daemon.report.test_page import Outline, page_of
from tests.daemon.sample_report import RATE, moving_grid, sample_analysis, sample_report, steady_grid


def six_eight(**changes) -> Grid:
    grid = steady_grid(75.0)
    downbeats = tuple(k % 2 == 0 for k in range(len(grid.beats_s)))
    return replace(grid, meter="6/8", beats_per_bar=2, downbeats=downbeats, **changes)


def report_of(**changes) -> Report:
    return sample_report(sample_analysis(grid=six_eight(**changes)))


def test_page_and_card_say_both_and_the_session_has_the_second(tmp_path: Path) -> None:
    report = report_of()
    page = page_of(report)
    text = " ".join(Outline(page).text.split())
    assert "75 BPM (dotted quarter)" in text
    assert "in quarters, as a session counts: 112.5 BPM" in text
    assert re.search(r'aria-keyshortcuts="t".{0,80}?in quarters.{0,90}?>112\.5<', page, re.S)
    assert page.count('aria-keyshortcuts="t"') == 1
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))

    told = card(report, note_sets(report.in_session(), 0.8), 0.8)
    assert told.startswith("amber-lane.wav: 75 BPM (dotted quarter; 112.5 in quarters), E flat minor")
    assert "In quarters, as a session counts: 112.5 BPM\n" in told
    assert report.session is not None
    assert report.session.quarters_in_beat == 1.5

    analysis = sample_analysis(grid=six_eight())
    score = make_score(analysis, plan_cut(analysis, frames=66 * RATE, rate=RATE), 0.8)
    write_map(tmp_path / "m.mid", score, "")
    tempi = [m.tempo for t in mido.MidiFile(tmp_path / "m.mid").tracks for m in t if m.type == "set_tempo"]
    assert mido.tempo2bpm(tempi[0]) == pytest.approx(112.5, abs=1e-3)


def test_delay_times_are_those_of_the_sessions_notes() -> None:
    """A quarter at 112.5 lasts 533.3 ms; the dotted one is the beat, 800 ms at 75."""
    text = " ".join(Outline(page_of(report_of())).text.split())
    assert "Delay times at 112.5 quarters a minute (75 BPM, dotted quarter)" in text
    quarter = next(values for note, values in delay_rows(112.5) if note == "1/4")
    assert [round(v.ms, 1) for v in quarter[:2]] == [533.3, 800.0]
    assert f"1/4 {quarter[0].ms:.1f} {quarter[1].ms:.1f}" in text


def test_a_moving_tempo_is_said_in_both_too() -> None:
    grid = moving_grid((26, 74.0), (26, 76.0), (28, 78.0))
    downbeats = tuple(k % 2 == 0 for k in range(len(grid.beats_s)))
    grid = replace(grid, tempo_bpm=75.0, meter="6/8", beats_per_bar=2, downbeats=downbeats)
    report = sample_report(sample_analysis(grid=grid))
    text = " ".join(Outline(page_of(report)).text.split())
    assert "74 to 78 BPM (dotted quarter), moving" in text
    assert "in quarters, as a session counts: 111 to 117 BPM" in text
    assert "moves from 74 BPM (dotted quarter) on" in text
    assert any("it moves, 74 to 78 BPM (dotted quarter)" in line for line in report.check_by_ear)


def test_a_doubtful_one_names_its_rivals_in_its_own_note() -> None:
    rivals = (TempoCandidate(75.0, 0.6), TempoCandidate(150.0, 0.25))
    report = report_of(tempo_confidence=0.6, tempo_alternatives=rivals)
    assert report.check_by_ear[0].startswith(
        "Tempo: 75 BPM (dotted quarter) is 60 % sure. It may be counted as 150, on"
    )
    counted_twice = (TempoCandidate(75.0, 0.6), TempoCandidate(150.0, 0.35))
    first, second = report_of(tempo_confidence=0.6, tempo_alternatives=counted_twice).check_by_ear[:2]
    assert first.startswith("Tempo: 75 BPM (dotted quarter) is 60 % sure. ")
    assert second.startswith("Tempo: 75 BPM (dotted quarter) may as well be counted as 150; the grid")


def test_board_status_and_claims() -> None:
    summary = report_of().summary()
    assert tempo_words(summary) == "75 BPM (dotted quarter; 112.5 in quarters)"
    assert tempo_words({"tempo_bpm": 75.0}) == "75 BPM"  # of an older report
    assert "dotted quarter" in render_board([{**row(1), "tempo_note": summary["tempo_note"]}])
    claim = ProducerClaim("tempo", "112 BPM", "file name", 112.5)
    judged = judge_claim(claim, sample_analysis(grid=six_eight()))
    assert (judged.agrees, judged.relation) == (True, "as measured, counted in quarters")
    plain = judge_claim(claim, sample_analysis(grid=steady_grid(75.0)))
    assert (plain.agrees, plain.relation) == (False, "one and a half times what was measured")


def test_where_the_beat_is_a_quarter_nothing_is_added() -> None:
    assert "quarter" not in Outline(page_of(sample_report())).text


def test_other_beats_in_the_same_bars_are_another_meter_and_not_another_tempo() -> None:
    """A bar of 6/8 at 75 dotted quarters is one of 3/4 at 112.5 quarters: 1.6 s both."""
    rivals = (TempoCandidate(75.0, 0.6), TempoCandidate(112.5, 0.3))
    report = report_of(tempo_confidence=0.6, tempo_alternatives=rivals)
    assert report.check_by_ear[0].startswith(
        "Tempo: 75 BPM (dotted quarter) is 60 % sure; it could be 112.5 in 3/4 (30 %)."
    )
    first = next(fix for fix in fixes(report) if fix.first)
    assert first.what == "the tempo is 112.5 BPM in 3/4 (likeliest)"
    assert first.command == "beatintake correct amber-lane --meter 3/4"
    assert "or 112.5 in 3/4 (30 %)" in " ".join(Outline(page_of(report)).text.split()).replace("\xa0", " ")

    made = sample_report(sample_analysis(grid=six_eight()), corrections=Correction(meter="3/4"))
    now = made.corrected().grid
    assert (now.tempo_bpm, now.meter) == (pytest.approx(112.5), "3/4")
    three = replace(now, tempo_confidence=0.6, tempo_alternatives=(TempoCandidate(75.0, 0.3),))
    assert "it could be 75 in 6/8 (30 %)" in sample_report(sample_analysis(grid=three)).check_by_ear[0]
    four = replace(steady_grid(), tempo_confidence=0.6, tempo_alternatives=(TempoCandidate(210.0, 0.3),))
    assert "it could be 210 (30 %)" in sample_report(sample_analysis(grid=four)).check_by_ear[0]
