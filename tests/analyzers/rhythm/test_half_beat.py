"""Chords and bass ahead of every bar line do not take the beats along: drums are heard by themselves.

The songs are written here, stroke by stroke; the odds are worked out from the module's three numbers.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from analyzers.rhythm import half_beat, meter
from analyzers.rhythm.half_beat import ALL_TOLD, BIAS, BY_DRUMS, by_drums, phases, without_harmony
from analyzers.rhythm.in_beats import SLOTS
from analyzers.rhythm.meter_evidence import CHROMA, SIZE, SPANS_AT, TURNS, Hypotheses
from tests.analyzers.grid_kit import HAT, KICK, SNARE, grid_of, place, tone

START_S = 0.3
Strokes = list[tuple[float, np.ndarray, float]]


def chord(at_s: float, seconds: float, root: int) -> Strokes:
    """A bass note and a triad, `root` in semitones above A: four chords of A major."""
    third = 3 if root == -3 else 4
    notes = [(55.0, root, 1.0)] + [(220.0, root + k, 0.5) for k in (0, third, 7)]
    return [(at_s, tone(hz * 2 ** (k / 12), seconds), gain) for hz, k, gain in notes]


def song(
    bpm: float, kicks: tuple[float, ...], early: float, snares: tuple[float, ...] = (1, 3)
) -> np.ndarray:
    """Twenty bars: drums on the beats, chords on the second and third "and" and on the bar line, or so many
    beats ahead of it."""
    beat, out = 60 / bpm, []
    for bar in range(20):
        line = START_S + 4 * bar * beat
        out += [(line + k * beat, KICK, 1.0) for k in kicks]
        out += [(line + k * beat, SNARE, 1.0) for k in snares]
        out += [(line + k * beat / 2, HAT, 0.5) for k in range(8)]
        ahead = early if bar else 0.0
        for at, length in ((-ahead, 1.3 + ahead), (1.5, 0.9), (2.5, 0.8)):
            out += chord(line + at * beat, length * beat, (0, -3, 5, 7)[bar % 4])
    return place(START_S + 80 * beat + 1, out)


@pytest.mark.parametrize(
    ("bpm", "kicks"),
    [
        (88.0, (0, 1.5, 2)),
        (96.0, (0, 1.75, 2.5)),
        (104.0, (0, 0.5, 2, 2.5)),
        (112.0, (0, 1.5, 2)),
    ],
)
def test_chords_and_bass_an_eighth_ahead_of_every_bar_line_leave_the_beats_to_the_drums(
    bpm: float, kicks: tuple[float, ...]
) -> None:
    grid = grid_of(song(bpm, kicks, early=0.5))
    assert grid.tempo_bpm == pytest.approx(bpm, rel=1e-4)
    assert grid.bar_one_s == pytest.approx(START_S, abs=0.01)


def test_two_ways_to_hear_it_are_no_sure_bar_line() -> None:
    """Half of what sounds has its bar lines on the "and": nobody is sure of bar one without doubt."""
    ahead, on = (grid_of(song(88.0, (0, 0.5, 2, 2.5), early)) for early in (0.5, 0.0))
    assert ahead.bar_one_confidence < 0.8 < on.bar_one_confidence
    assert on.bar_one_s == pytest.approx(START_S, abs=0.01)


@pytest.mark.parametrize("kicks", [(0, 1, 2, 3), (0, 0.75, 2, 2.75)])
def test_drums_that_play_off_the_beat_do_not_turn_the_grid(kicks: tuple[float, ...]) -> None:
    """Snare on 1 3/4, 2 1/2, 3 3/4 and 4 1/2, as in Caribbean and West African dances; chords on the line."""
    grid = grid_of(song(98.0, kicks, 0.0, snares=(0.75, 1.5, 2.75, 3.5)))
    assert grid.bar_one_s == pytest.approx(START_S, abs=0.01)


def ways() -> Hypotheses:
    """A beat rate on the beat, half a beat off (two bar lines) and a third off; another beat rate."""
    ratio = np.array([2.0, 2.0, 2.0, 2.0, 1.0])
    offset = np.array([0.5, 1.5, 7.5, 1.17, 0.5])
    tempo = np.array([1, 1, 1, 1, 0])
    return Hypotheses(ratio, offset, np.full(5, 4), tempo, tempo * 0, np.ones((5, SIZE), np.float32))


def test_phases_are_told_by_the_beat_rate() -> None:
    on, off = phases(ways(), 0)
    assert on.tolist() == [True, False, False, False, False]
    assert off.tolist() == [False, True, True, False, False]


def test_the_odds_are_those_of_both_opinions() -> None:
    asked: list[np.ndarray] = []

    def ask(evidence: np.ndarray) -> np.ndarray:
        asked.append(evidence)
        return np.array([0.2, 0.5, 0.1, 0.2])

    p = np.array([0.6, 0.05, 0.1, 0.05, 0.2])
    out, sure = by_drums(ways(), p, 0, ask)
    share = float(expit(ALL_TOLD * np.log(0.15 / 0.6) + BY_DRUMS * np.log(0.6 / 0.2) + BIAS))
    assert out == pytest.approx([0.75 * (1 - share), 0.25 * share, 0.5 * share, 0.05, 0.2])
    assert sure == pytest.approx(max(share, 1 - share))
    assert [len(e) for e in asked] == [4]  # of that beat rate alone


def test_drums_alone_make_no_bar_line_sure() -> None:
    """However loud they speak against all else, the confidence stays below what is called sure."""
    p = np.array([0.5, 0.25, 0.25, 0.0, 0.0])
    out, sure = by_drums(ways(), p, 0, lambda _: np.array([0.0, 0.5, 0.5, 0.0]))
    assert out[1] + out[2] == pytest.approx(sure)
    assert 0.5 < sure < 0.8


def test_what_is_out_of_the_question_is_not_asked_about() -> None:
    def ask(evidence: np.ndarray) -> np.ndarray:
        raise AssertionError

    p = np.array([0.8, 0.8 * np.exp(-half_beat.MOST) / 3, 0.0, 0.0, 0.2])
    out, sure = by_drums(ways(), p, 0, ask)
    assert (out == p).all()
    assert sure == 1.0


def test_harmony_is_what_lies_below_1_khz_chroma_and_turns() -> None:
    """The layout as `meter_evidence.PARTS` has it: six bands of attacks, chroma, level, turns, .."""
    left = without_harmony(np.ones((1, SIZE), np.float32))[0]
    attacks, band = 6 * 4 * SLOTS, 4 * SLOTS
    assert not left[: 3 * band].any()
    assert left[3 * band : attacks].all()
    assert not left[CHROMA].any()
    assert not left[TURNS].any()
    assert (CHROMA.start, CHROMA.stop) == (attacks, attacks + 4 * 4 * 2)
    assert left[CHROMA.stop : TURNS.start].all()
    assert left[SPANS_AT:].all()


def test_a_bar_line_is_no_surer_than_its_half_of_the_beat(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meter, "probabilities", lambda _: np.array([0.96, 0.01, 0.01, 0.01, 0.01]))

    def sure(of_the_phase: float) -> float:
        monkeypatch.setattr(meter, "by_drums", lambda h, p, best, ask: (p, of_the_phase))
        reading = meter.choose_reading(ways(), 0.99)
        assert reading is not None
        return reading.bar_probability

    assert sure(1.0) > 0.8
    assert sure(0.6) == pytest.approx(0.6)
