"""Pulses followed from attack to attack, on soft notes whose every start is known.

Beat F: mir_eval (window 70 ms, as usual). Timing of performances: ensembles are 20 to 50 ms apart
(Rasch, Acustica 43, 1979), tempo moves by several per cent within a phrase (common practice).
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest
from music21 import corpus

from analyzers.rhythm import grid as grid_module
from analyzers.rhythm.played import even_support, track
from analyzers.rhythm.reading import Reading
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from tests.analyzers.grid_kit import RATE, drifting, even, grid_of, pattern, place, tone

CHORDS = ((220.0, 261.63, 329.63), (174.61, 220.0, 349.23), (196.0, 246.94, 392.0), (164.81, 246.94, 329.63))


def played(
    seed: int, bpm: float = 84.0, wander: float = 0.02, seconds: float = 22.0
) -> tuple[np.ndarray, np.ndarray]:
    """(sound, beats s): chords in four parts without drums, slow attacks 15 ms apart, the tempo walking."""
    rng = np.random.default_rng(seed)
    count = int(seconds * bpm / 60)
    walk = np.zeros(count)
    for k in range(1, count):
        walk[k] = 0.9 * walk[k - 1] + rng.normal(0, wander)
    beats = 0.2 + np.concatenate([[0.0], np.cumsum(60 / bpm * np.exp(walk))])
    strokes = []
    for k, at in enumerate(beats[:-1]):
        length = float(beats[k + 1] - at) * 1.1
        gain = 1.3 if k % 4 == 0 else 1.0
        for hz in CHORDS[(k // 4) % 4] if k % 4 == 0 else rng.choice(CHORDS[(k // 4) % 4], 2, replace=False):
            start = max(float(at + rng.normal(0, 0.015)), 0.0)
            strokes.append((start, tone(float(hz), length, 0.03), gain))
    return place(float(beats[-1]) + 0.3, strokes), beats[:-1]


def level_free_f(beats: np.ndarray, found: np.ndarray) -> float:
    """Best F of the pulses as they are and of every other one."""
    return max(mir_eval.beat.f_measure(beats, x) for x in (found, found[::2], found[1::2]))


@pytest.mark.parametrize("seed", range(4))
def test_pulses_follow_soft_notes_of_a_walking_tempo(seed: int) -> None:
    sound, beats = played(seed)
    features = Features(Signal(sound[:, None].astype(np.float32), RATE))

    found = track(features.onsets)

    assert found is not None
    inside = found.times_s[(found.times_s > beats[0] - 0.1) & (found.times_s < beats[-1] + 0.1)]
    assert level_free_f(beats, inside) > 0.9
    assert found.contrast > 0.5


def test_played_chords_get_a_moving_grid() -> None:
    grids = [(grid_of(sound), beats) for sound, beats in map(played, range(4))]

    heard = [(g, b) for g, b in grids if g.tempo_bpm is not None]
    assert len(heard) >= 3
    for grid, beats in heard:
        assert grid.constant_tempo is False
        assert len(grid.tempo_curve) > 2
        assert level_free_f(beats, np.array(grid.beats_s)) > 0.85


def test_pulses_that_are_followed_are_less_sure_of_their_bar_lines_than_a_moving_pulse(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Soft attacks of an ensemble place a bar line worse than drums do (common practice)."""
    read: list[Reading] = []
    choose = grid_module.choose_reading

    def kept(*asked: Any) -> Reading | None:
        found = choose(*asked)
        assert found is not None
        read.append(found)
        return found

    monkeypatch.setattr(grid_module, "choose_reading", kept)
    followed, moving = grid_of(played(0)[0]), grid_of(drifting(5, 0.004)[0])
    assert followed.constant_tempo is moving.constant_tempo is False
    assert followed.bar_one_confidence < read[0].bar_probability - 0.1
    assert moving.bar_one_confidence == pytest.approx(read[1].bar_probability)
    assert moving.bar_one_confidence > 0.9


def test_a_produced_beat_stays_constant_and_is_not_followed() -> None:
    grid = grid_of(place(30.0, pattern(even(95.0, 0.4, 30.0))))

    assert grid.constant_tempo is True
    assert grid.tempo_bpm == 95.0


def test_too_short_has_no_pulses() -> None:
    sound, _ = played(0, seconds=5.0)

    assert track(Features(Signal(sound[: 4 * RATE, None].astype(np.float32), RATE)).onsets) is None


def test_following_pulses_needs_no_heavy_library() -> None:
    code = "import sys; import analyzers.rhythm.grid; sys.exit(bool({'librosa', 'numba'} & set(sys.modules)))"
    root = Path(__file__).parents[3]

    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0


def test_loose_playing_to_a_click_stays_constant() -> None:
    sound, beats = played(3, wander=0.0, seconds=45.0)

    grid = grid_of(sound)

    assert grid.constant_tempo is True
    assert grid.tempo_bpm == 84.0
    assert level_free_f(beats, np.array(grid.beats_s)) > 0.95


@pytest.mark.parametrize("seed", range(3))
def test_attacks_bear_out_even_pulses_only_where_the_tempo_is_even(seed: int) -> None:
    def support(wander: float, seconds: float = 45.0) -> float:
        sound, _ = played(seed, wander=wander, seconds=seconds)
        return even_support(Features(Signal(sound[:, None].astype(np.float32), RATE)).onsets, 60 / 84.0)

    assert support(0.0) > 1.0
    assert support(0.02) < 0.15
    assert support(0.0, seconds=30.0) == 0.0  # too short to tell


def test_a_chorale_played_very_freely_has_a_beat_though_its_pulses_alone_are_no_proof() -> None:
    """BWV 144.6 as music21 carries it (public domain), four voices 50 ms apart, the tempo walking by 5 %."""
    rng = np.random.default_rng(25)
    bpm, count = 85.0, 36
    walk = np.zeros(count)
    for k in range(1, count):
        walk[k] = 0.93 * walk[k - 1] + rng.normal(0, 0.05)
    beats = 0.2 + np.concatenate([[0.0], np.cumsum(60 / bpm * np.exp(walk))])
    strokes = []
    for note in corpus.parse("bach/bwv144.6").flatten().notes:
        a, b = float(note.offset), float(note.offset + note.quarterLength)
        if b <= count:
            start, end = np.interp([a, b], np.arange(count + 1), beats)
            for pitch in note.pitches:
                at = max(float(start + rng.normal(0, 0.05)), 0.0)
                strokes.append((at, tone(pitch.frequency, float(end - start), 0.18), 0.6))

    grid = grid_of(place(float(beats[-1]) + 0.3, strokes))

    assert grid.tempo_bpm == pytest.approx(60 / float(np.median(np.diff(beats))), rel=0.04)
    assert grid.constant_tempo is False
    assert level_free_f(beats, np.array(grid.beats_s)) > 0.7
