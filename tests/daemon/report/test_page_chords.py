"""The chord line bar by bar."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import Chord
from daemon.report.page_chords import ChordBar, chord_bars, chord_sections
from tests.daemon.sample_report import BAR_ONE_S, sample_analysis

BEAT_S = 60 / 140


def test_chords_stand_in_their_bars() -> None:
    bar = 4 * BEAT_S
    chords = (
        Chord(BAR_ONE_S, BAR_ONE_S + bar, "Ebm", 0.9),
        Chord(BAR_ONE_S + bar, BAR_ONE_S + 1.5 * bar, "Ab", 0.9),
        Chord(BAR_ONE_S + 1.5 * bar, BAR_ONE_S + 2.02 * bar, "Bb7", 0.9),
        Chord(BAR_ONE_S + 2.02 * bar, BAR_ONE_S + 3 * bar, "N", 0.9),
    )
    bars = {b.number: b for b in chord_bars(sample_analysis(chords=chords))}
    assert [bars[n].labels for n in (1, 2, 3)] == [("Ebm",), ("Ab", "Bb7"), ("–",)]
    assert bars[1].section == "A"
    assert bars[9].section == "B"


@pytest.mark.parametrize(("beats", "written"), [(0.4, False), (0.5, True), (0.9, True)])
def test_a_chord_of_less_than_about_half_a_beat_is_not_written(beats: float, written: bool) -> None:
    bar, change = 4 * BEAT_S, BAR_ONE_S + (4 - beats) * BEAT_S
    chords = (Chord(BAR_ONE_S, change, "Ebm", 0.9), Chord(change, BAR_ONE_S + bar, "Ab", 0.9))
    [first] = [b for b in chord_bars(sample_analysis(chords=chords)) if b.number == 1]
    assert first.labels == (("Ebm", "Ab") if written else ("Ebm",))


def test_a_chord_that_is_not_sure_is_marked() -> None:
    bar = 4 * BEAT_S
    at = [BAR_ONE_S + k * bar / 2 for k in range(5)]
    labels = (("Ebm", 0.79), ("N", 0.5), ("Ab", 0.8), ("Ab", 0.3))
    chords = tuple(Chord(a, b, *chord) for a, b, chord in zip(at, at[1:], labels, strict=False))
    first, second = (b for b in chord_bars(sample_analysis(chords=chords), 0.8) if b.number in (1, 2))
    assert (first.written, first.labels) == (("Ebm?", "–"), ("Ebm", "–"))
    assert second.written == ("Ab",)  # heard twice, once for sure
    plain = [b for b in chord_bars(sample_analysis(chords=chords), 0.2) if b.number in (1, 2)]
    assert [b.written for b in plain] == [("Ebm", "–"), ("Ab",)]


def test_chords_of_a_section_that_comes_again_are_named_not_repeated() -> None:
    bars = [
        ChordBar(n, (("Am",), ("F",))[n % 2], False, {1: "A", 5: "B", 9: "A"}.get(n)) for n in range(1, 13)
    ]
    bars[4] = replace(bars[4], labels=("Dm",))
    sections = chord_sections(bars)
    assert [(s.letter, s.span, s.same_as) for s in sections] == [
        ("A", "bars 1 to 4", None),
        ("B", "bars 5 to 8", None),
        ("A", "bars 9 to 12", "A in bars 1 to 4"),
    ]
