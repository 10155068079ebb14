"""The whole grid on sounds whose every stroke is known to the sample.

Tempi and beat periods: 60 000 / BPM ms, the table of note values in any studio handbook (120 BPM = 500 ms).
Beat F: mir_eval 0.8 (window 70 ms). The tolerance of 5 ms for bar one is common practice for drum edits.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import mir_eval
import numpy as np
import pytest

from analyzers.model import Options
from analyzers.rhythm import grid as grid_module
from analyzers.rhythm.meter import best_of, choose_reading
from analyzers.rhythm.meter_evidence import RATIOS, Hypotheses
from tests.analyzers.grid_kit import HAT, KICK, RATE, SNARE, even, generated, grid_of, pattern, place, tone

# BPM -> quarter note in ms, as printed in handbooks
QUARTER_MS = {75: 800.0, 90: 666.667, 100: 600.0, 120: 500.0, 128: 468.75, 140: 428.571, 150: 400.0}


@pytest.mark.parametrize(("bpm", "quarter_ms"), QUARTER_MS.items())
def test_constant_tempo_and_bar_one_are_exact(bpm: int, quarter_ms: float) -> None:
    seconds, start = 40.0, 0.7331
    beats = even(bpm, start, seconds)
    grid = grid_of(place(seconds, pattern(beats)))

    assert grid.tempo_bpm is not None
    ratio = grid.tempo_bpm / bpm
    assert min(abs(ratio - r) for r in (0.5, 1.0, 2.0)) < 1e-4
    assert grid.constant_tempo is True
    assert grid.bar_one_s == pytest.approx(start, abs=0.002)
    steps = np.diff(grid.beats_s) * ratio
    assert steps * 1e3 == pytest.approx(quarter_ms, abs=0.02)
    last = grid.bar_one_s + (beats[-1] - start) / quarter_ms * 1e3 * 60.0 / (grid.tempo_bpm / ratio)
    assert last == pytest.approx(beats[-1], abs=0.003)


def test_backbeat_at_100_is_read_as_100_with_beats_and_bars() -> None:
    beats = even(100.0, 0.5, 45.0)
    grid = grid_of(place(45.0, pattern(beats)))

    assert grid.tempo_bpm == 100.0
    assert grid.meter == "4/4"
    assert mir_eval.beat.f_measure(beats, np.array(grid.beats_s)) > 0.98
    downbeats = np.array(grid.beats_s)[np.array(grid.downbeats)]
    assert mir_eval.beat.f_measure(beats[::4], downbeats) > 0.95


def test_half_and_double_are_among_the_alternatives() -> None:
    grid = grid_of(place(40.0, pattern(even(140.0, 0.3, 40.0), backbeat=(2,), hats=2)))

    tempi = {round(c.bpm) for c in grid.tempo_alternatives}
    assert {70, 140} <= tempi
    assert sum(c.probability for c in grid.tempo_alternatives) == pytest.approx(1.0, abs=0.05)
    assert grid.tempo_alternatives[0].bpm == pytest.approx(grid.tempo_bpm, abs=1e-3)


def test_tempo_range_steers_the_level() -> None:
    sound = place(40.0, pattern(even(140.0, 0.3, 40.0), backbeat=(2,), hats=2))

    slow = grid_of(sound, options=Options(tempo_range_bpm=(60.0, 100.0)))
    fast = grid_of(sound, options=Options(tempo_range_bpm=(110.0, 200.0)))

    assert slow.tempo_bpm == pytest.approx(70.0, abs=1e-3)
    assert fast.tempo_bpm == pytest.approx(140.0, abs=1e-3)


def test_odd_tempo_is_not_rounded_away() -> None:
    bpm = 97.3217
    grid = grid_of(place(60.0, pattern(even(bpm, 0.2, 60.0))))

    assert grid.tempo_bpm == pytest.approx(bpm, rel=3e-5)


def test_pickup_comes_before_bar_one() -> None:
    beats = even(96.0, 2.0, 45.0)
    pickup = [(2.0 - 0.625 * k, KICK, 0.8) for k in (1,)] + [(2.0 - 0.3125, HAT, 1.0)]
    grid = grid_of(place(45.0, pickup + pattern(beats)))

    assert grid.bar_one_s == pytest.approx(2.0, abs=0.005)
    assert grid.pickup_beats == pytest.approx(1.0, abs=0.05)
    assert grid.beats_s[0] < 2.0


def test_first_sound_a_little_before_bar_one_is_the_same_event() -> None:
    beats = even(100.0, 1.0, 40.0)
    grid = grid_of(place(40.0, pattern(beats)), first_sound_s=0.988)

    assert grid.bar_one_s == pytest.approx(1.0, abs=0.003)
    assert grid.pickup_beats == 0.0


def test_three_four() -> None:
    beats = even(126.0, 0.4, 50.0)
    grid = grid_of(place(50.0, pattern(beats, per_bar=3, backbeat=(1, 2), hats=1)))

    assert grid.meter == "3/4"
    assert grid.beats_per_bar == 3
    bars = (grid.bar_one_s - 0.4) / (180 / 126)
    assert bars == pytest.approx(round(bars), abs=0.004)


def test_six_eight_keeps_the_dotted_beat_among_its_readings() -> None:
    beats = even(58.0, 0.4, 50.0)
    bass = [(t, tone(55.0 if k % 4 < 2 else 65.41, 0.9), 1.0) for k, t in enumerate(beats)]
    sound = place(50.0, pattern(beats, per_bar=2, backbeat=(1,), hats=3) + bass)
    free, steered = grid_of(sound), grid_of(sound, options=Options(tempo_range_bpm=(40.0, 70.0)))

    readings = {round(c.bpm, 1): c.probability for c in free.tempo_alternatives}
    assert readings[58.0] > 0.1  # 87 (quarters of a 3/4) shares every attack
    assert steered.tempo_bpm == pytest.approx(58.0, abs=0.01)
    assert steered.meter in ("6/8", "4/4")  # two bars of 6/8 and one of 4/4 in triplets look the same
    assert mir_eval.beat.f_measure(beats, np.array(steered.beats_s)) > 0.98


def test_drift_is_followed_and_said() -> None:
    rng = np.random.default_rng(5)
    period = 0.6 * np.exp(np.cumsum(rng.normal(0, 0.004, 90)))
    period *= 0.6 / period.mean()
    beats = 0.5 + np.concatenate([[0.0], np.cumsum(period)])
    grid = grid_of(place(beats[-1] + 1.0, pattern(beats)))

    assert grid.constant_tempo is False
    assert grid.constant_confidence > 0.5  # how sure it is that it moves
    assert len(grid.tempo_curve) > 1
    found = np.array(grid.beats_s)
    assert mir_eval.beat.f_measure(beats[:-1], found) > 0.95
    errors = [np.abs(found - b).min() for b in beats[:-1]]
    assert np.median(errors) < 0.006


def test_one_step_is_one_step() -> None:
    first, second = 60.0 / 100.0, 60.0 / 110.0
    beats = np.concatenate([0.5 + first * np.arange(48), 0.5 + first * 48 + second * np.arange(52)])
    grid = grid_of(place(beats[-1] + 0.5, pattern(beats)))

    assert grid.constant_tempo is False
    assert len(grid.tempo_curve) == 2
    (_, before), (change, after) = grid.tempo_curve
    level = before / 100.0
    assert before == pytest.approx(100.0 * level, rel=1e-3)
    assert after == pytest.approx(110.0 * level, rel=1e-3)
    assert change == pytest.approx(0.5 + first * 48, abs=0.02)


@pytest.mark.parametrize("seed", [6_001_010, 71_003_058, 71_000_017, 71_000_841, 72_000_169])
def test_a_step_is_found_where_one_of_its_sides_explains_half_of_the_song(seed: int) -> None:
    """By a twentieth up and down, by a tenth, and by a third."""
    truth, grid = generated(seed)
    assert truth.tempo_changes

    assert grid.constant_tempo is False
    assert len(grid.tempo_curve) == 2
    assert grid.tempo_curve[1][0] == pytest.approx(truth.tempo_changes[0][0], abs=0.01)
    assert grid.bar_one_s == pytest.approx(truth.first_downbeat_s, abs=0.005)
    beats = np.array([at for at, _ in truth.as_row("")["beats"]])
    assert mir_eval.beat.f_measure(beats, np.array(grid.beats_s)) > 0.98


def test_a_change_too_faint_to_follow_is_a_doubt() -> None:
    """By a third: most attacks of either tempo lie on a lattice of the other."""
    truth, grid = generated(72_003_480)
    assert truth.tempo_changes

    assert grid.constant_tempo is False or grid.constant_confidence < 0.8


def test_grid_reaches_back_over_a_beatless_intro() -> None:
    drums = even(120.0, 16.5, 60.0)
    chords = [(0.5 + 2.0 * k, tone((220.0, 261.63, 196.0, 174.61)[k % 4], 1.95, 0.05), 1.0) for k in range(8)]
    grid = grid_of(place(60.0, chords + pattern(drums)))

    assert grid.tempo_bpm == 120.0
    assert grid.bar_one_s == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("bpm", [70.0, 105.0, 130.0])
def test_a_loop_of_two_bars_cut_on_the_bar_has_its_tempo(bpm: float) -> None:
    grid = grid_of(place(8 * 60.0 / bpm, pattern(60.0 / bpm * np.arange(9))))

    assert grid.tempo_bpm == pytest.approx(bpm, rel=0.001)
    assert grid.bar_one_s == pytest.approx(0.0, abs=0.002)
    assert grid.tempo_confidence > 0.8


@pytest.mark.parametrize("beats", [4, 6, 7])
def test_a_tempo_that_only_the_short_file_keeps_from_being_chosen_is_a_doubt(beats: int) -> None:
    grid = grid_of(place(beats * 0.625, pattern(0.625 * np.arange(beats + 1))))

    assert grid.tempo_confidence < 0.8
    assert min(abs(c.bpm / 96.0 - 1) for c in grid.tempo_alternatives) < 0.01
    assert grid.tempo_bpm is not None or "fewer than 8 beats" in (grid.reason or "")


@pytest.mark.parametrize("kind", ["silence", "noise", "pad", "short", "few"])
def test_nothing_to_count_gives_none_and_a_reason(kind: str) -> None:
    rng = np.random.default_rng(0)
    t = np.arange(30 * RATE) / RATE
    sounds = {
        "silence": np.zeros(10 * RATE),
        "noise": 0.1 * rng.standard_normal(30 * RATE),
        "pad": 0.2 * np.sin(2 * np.pi * 220 * t) * (0.6 + 0.4 * np.sin(2 * np.pi * 0.037 * t)),
        "short": place(1.0, [(0.1, KICK, 1.0)]),
        "few": 0.5 * np.sin(2 * np.pi * 440 * t[: 3 * RATE]),
    }
    grid = grid_of(sounds[kind])

    assert grid.tempo_bpm is None
    assert grid.tempo_confidence <= 0.5
    assert grid.beats_s == ()
    assert grid.reason


@pytest.mark.parametrize(
    ("beat", "tempo", "sure", "likeliest"),
    [(0.2, 0.9, 0.2, 0.2), (0.28, 0.3, 0.28, 0.28), (0.9, 0.2, 0.2, 0.2)],
)
def test_the_tempo_of_a_doubted_beat_is_kept_as_what_it_may_be(
    monkeypatch: pytest.MonkeyPatch, beat: float, tempo: float, sure: float, likeliest: float
) -> None:
    def doubted(*asked: Any) -> Any:
        return replace(choose_reading(*asked), beat_probability=beat, tempo_probability=tempo)

    monkeypatch.setattr(grid_module, "choose_reading", doubted)
    grid = grid_of(place(40.0, pattern(even(96.0, 0.4, 40.0))))

    assert (grid.tempo_bpm, grid.beats_s, grid.tempo_confidence) == (None, (), sure)
    first = max(grid.tempo_alternatives, key=lambda c: c.probability)
    assert first.bpm == pytest.approx(96.0, abs=0.01)
    assert first.probability == pytest.approx(likeliest, abs=0.02)
    assert sum(c.probability for c in grid.tempo_alternatives) <= beat + 1e-6


@pytest.mark.parametrize("beat", [0.33, 0.99])
def test_a_tempo_that_is_right_once_in_three_times_is_an_answer(
    monkeypatch: pytest.MonkeyPatch, beat: float
) -> None:
    def doubted(*asked: Any) -> Any:
        return replace(choose_reading(*asked), beat_probability=beat, tempo_probability=0.33)

    monkeypatch.setattr(grid_module, "choose_reading", doubted)
    grid = grid_of(place(40.0, pattern(even(96.0, 0.4, 40.0))))

    assert (grid.tempo_bpm, grid.tempo_confidence) == (96.0, 0.33)


def test_proof_is_tight_on_a_sequenced_beat() -> None:
    grid = grid_of(place(40.0, pattern(even(132.0, 0.25, 40.0), hats=4)))

    assert grid.proof is not None
    assert grid.proof.attacks > 100
    assert grid.proof.median_ms < 0.8
    assert abs(grid.proof.last_third_ms - grid.proof.first_third_ms) < 0.8


def test_level_and_rate_do_not_matter() -> None:
    sound = place(40.0, pattern(even(123.0, 0.6, 40.0)))
    loud, quiet = grid_of(sound), grid_of(0.001 * sound)

    assert quiet.tempo_bpm == loud.tempo_bpm == 123.0
    assert quiet.bar_one_s == pytest.approx(loud.bar_one_s, abs=0.001)


def test_same_signal_gives_the_same_grid() -> None:
    sound = place(25.0, pattern(even(111.0, 0.1, 25.0)))

    assert grid_of(sound) == grid_of(sound)


def test_attack_at_the_first_sample_is_found() -> None:
    grid = grid_of(place(30.0, pattern(even(120.0, 0.0, 30.0))))

    assert grid.bar_one_s == pytest.approx(0.0, abs=0.002)
    assert grid.tempo_bpm == 120.0


def test_twenty_seconds_are_enough() -> None:
    grid = grid_of(place(20.0, pattern(even(92.0, 0.3, 20.0))))

    assert grid.tempo_bpm == pytest.approx(92.0, abs=0.01)


def test_soft_attack_out_of_silence_is_bar_one_and_no_pickup() -> None:
    beats = even(90.0, 1.0, 45.0)
    chords = [
        (t, tone(hz * (1.0, 1.19, 0.89, 1.33)[k // 4 % 4], 0.6, attack_s=0.012), 1.0 if k % 4 else 1.5)
        for k, t in enumerate(beats)
        for hz in (110.0, 220.0, 261.63, 329.63)
    ]
    grid = grid_of(place(45.0, chords), first_sound_s=1.0)

    assert grid.bar_one_s == pytest.approx(1.0, abs=0.008)
    assert grid.pickup_beats == 0.0


def test_an_early_first_hit_does_not_pull_the_line() -> None:
    """A first kick 1.8 ms early: the song's line stays where its other beats are; the cut minds the hit."""
    beats = even(100.0, 1.0, 40.0)
    strokes = [(t, sound, gain) for t, sound, gain in pattern(beats) if t > 1.01]
    grid = grid_of(place(40.0, [(0.9982, KICK, 1.0), *strokes]))

    assert grid.bar_one_s == pytest.approx(1.0, abs=0.0006)


def test_snares_that_are_laid_back_do_not_move_the_line() -> None:
    """Snares 8 ms late (common practice) on three beats of four; the hats between the beats lie in time."""
    beats = even(96.0, 0.5, 45.0)
    snares = [(t + 0.008, SNARE, 1.0) for k, t in enumerate(beats) if k % 4]
    hats = [(t + 0.3125, HAT, 1.0) for t in beats]
    kicks = [(t, KICK, 1.0) for t in beats[::4]]
    grid = grid_of(place(46.0, kicks + snares + hats))

    nearest = beats[np.argmin(np.abs(beats[:, None] - np.array(grid.beats_s)[8]))]
    assert grid.beats_s[8] - nearest == pytest.approx(0.0, abs=0.0015)


@pytest.mark.parametrize(("seed", "bpm"), [(830029, 106.0), (830016, 68.5), (830046, 67.0)])
def test_loose_playing_to_a_click_is_steady(seed: int, bpm: float) -> None:
    """Guitar and piano up to 8 ms around the click; a shuffle whose attacks fit a wrong period by chance.

    Truth: what the generator wrote.
    """
    truth, grid = generated(seed)
    assert truth.tempo_bpm == bpm
    assert grid.constant_tempo is True
    assert grid.tempo_bpm is not None
    ratio = grid.tempo_bpm / bpm
    assert min(abs(ratio - r) for r in (1.0, 2.0)) < 1e-3


def test_half_the_rate_speaks_for_its_bar_lines() -> None:
    """Two bar lines of one beat rate, and the same bars read at twice the rate: together they decide."""
    one, two = RATIOS.index(1.0), RATIOS.index(0.5)
    h = Hypotheses(
        ratio=np.array([1.0, 1.0, 0.5]),
        offset=np.array([0.5, 0.0, 0.0]),
        beats=np.array([4, 4, 4]),
        tempo=np.array([one, one, two]),
        phase=np.array([0, 1, 0]),
        evidence=np.zeros((3, 1), np.float32),
    )
    assert best_of(h, np.array([0.40, 0.35, 0.25])) == 1
    assert best_of(h, np.array([0.60, 0.20, 0.20])) == 0


def test_other_places_of_bar_one_are_other_bar_lines_or_the_line_beside_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Steady strokes; whatever the networks say of half a bar, and the first bar of a rest: .4 of 1."""
    sound = place(30.0, pattern(even(120.0, 0.5, 30.0), backbeat=(2,), hats=2))
    find, read = grid_module.first_bar, grid_module.choose_reading

    def open_reading(*args: Any) -> Any:
        reading = read(*args)
        assert reading is not None
        return replace(reading, bar_probability=0.7, other_lines=((2.0, 0.2),))

    monkeypatch.setattr(grid_module, "choose_reading", open_reading)
    monkeypatch.setattr(
        grid_module, "first_bar", lambda *args, **how: replace(find(*args, **how), confidence=0.6, beside=-1)
    )
    grid = grid_of(sound)

    found = [(place.late_beats, round(place.probability, 6)) for place in grid.bar_one_alternatives]
    assert found == [(-4.0, 0.28), (2.0, 0.12)]
    assert grid.bar_one_confidence == pytest.approx(0.42)


def test_of_phases_that_nearly_agree_the_likelier_is_chosen() -> None:
    same = [RATIOS.index(1.0)] * 3
    h = Hypotheses(
        ratio=np.ones(3),
        offset=np.array([0.05, 0.0, 2.0]),
        beats=np.array([4, 4, 4]),
        tempo=np.array(same),
        phase=np.array([2, 0, 0]),
        evidence=np.zeros((3, 1), np.float32),
    )
    assert best_of(h, np.array([0.001, 0.6, 0.399])) == 1


def test_a_pickup_does_not_draw_the_first_beats_of_a_drifting_song_away() -> None:
    """A loud pickup between two beats: no pulse before it holds the chain there. Truth: the generator's."""
    truth, grid = generated(830003)
    assert truth.constant_tempo is False
    assert grid.bar_one_s == pytest.approx(truth.first_downbeat_s, abs=0.02)


@pytest.mark.parametrize("seed", [61_000_278, 61_000_415])
def test_a_soft_introduction_does_not_lead_a_drifting_tempo_away(seed: int) -> None:
    """Ten seconds of chords off the beat before the drums come in. Truth: the generator's."""
    truth, grid = generated(seed)
    assert truth.constant_tempo is False
    assert grid.constant_tempo is False
    assert grid.bar_one_s == pytest.approx(truth.first_downbeat_s, abs=0.02)
    beats = np.array([at for at, _ in truth.as_row("")["beats"]])
    assert mir_eval.beat.f_measure(beats, np.array(grid.beats_s)) > 0.97
