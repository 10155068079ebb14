"""From pulses to beats: the first attack of a song whose tempo moves, on chords of known start."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm import beat_times
from analyzers.rhythm.beat_onsets import LOCAL_S, local_offsets
from analyzers.rhythm.beat_times import moving_beats
from analyzers.rhythm.lattice_fit import WindowLags
from analyzers.rhythm.pulse import Pulse
from analyzers.rhythm.reading import Reading
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from tests.analyzers.grid_kit import KICK, RATE, drifting, grid_of, onsets_of, place, tone

READING = Reading(1.0, 0.0, 4, 1.0, 1.0, 1.0, 1.0, ())
BEAT_S, ONE_S, SECONDS = 0.6, 3.0, 20.0


def beats_of(chords_s: np.ndarray, pulses_s: np.ndarray, kick_s: float | None = None) -> np.ndarray:
    chords = [(t, tone(hz, 0.5, attack_s=0.006), 1.0) for t in chords_s for hz in (220.0, 330.0)]
    sound = place(SECONDS, chords + ([(kick_s, KICK, 1.0)] if kick_s is not None else []))
    features = Features(Signal(sound.astype(np.float32)[:, None], RATE))
    lags = WindowLags(*(np.zeros(0) for _ in range(5)))
    pulse = Pulse(BEAT_S, lags, np.zeros(1), pulses_s, pulses_s, None, False, None, None, (0.0,) * 5)
    return moving_beats(features, pulse, READING, float(chords_s[0])).times_s


@pytest.mark.parametrize("early_s", [0.02, 0.06, 0.1])
def test_the_first_line_lies_on_the_songs_first_attack_though_the_map_runs_late(early_s: float) -> None:
    pulses = ONE_S + BEAT_S * np.arange(-4, 28)
    chords = pulses[4:].copy()
    chords[0] -= early_s

    beats = beats_of(chords, pulses)

    first = int(np.argmin(np.abs(beats - chords[0])))
    assert beats[first] == pytest.approx(chords[0], abs=0.003)
    assert beats[first + 4 : first + 24] == pytest.approx(pulses[8:28], abs=0.003)
    assert np.diff(beats[first : first + 5]).max() < BEAT_S + 0.03  # the first bar's beats share it


def test_a_pickup_takes_no_line_of_the_map() -> None:
    """A sixteenth ahead of the line; a hair ahead of one that has an attack of its own."""
    pulses = ONE_S + BEAT_S * np.arange(-4, 28)
    sixteenth = beats_of(np.concatenate([[ONE_S - BEAT_S / 4], pulses[5:]]), pulses)
    flam = beats_of(np.concatenate([[ONE_S - 0.1], pulses[5:]]), pulses, ONE_S)

    assert np.abs(sixteenth - ONE_S).min() < 0.004
    assert np.abs(flam - ONE_S).min() < 0.004


@pytest.mark.parametrize("seed", range(4))
def test_beats_of_a_drifting_song_lie_on_its_attacks(seed: int) -> None:
    """Known times; a tempo that walks by 0.6 % a beat, as a band's does (common practice)."""
    sound, beats = drifting(seed, 0.006)
    grid = grid_of(sound)

    assert grid.constant_tempo is False
    late = np.abs(np.array(grid.beats_s)[:, None] - beats).min(axis=0)
    assert np.median(late) < 0.0012
    assert np.percentile(late, 90) < 0.0025


def test_soft_and_loose_attacks_draw_no_beats(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is spread over 44 ms places no single beat: the map's own course is better."""
    monkeypatch.setattr(beat_times, "local_offsets", None)
    pulses = ONE_S + BEAT_S * np.arange(-4, 28)
    loose = pulses[4:] + np.random.default_rng(2).permutation(np.linspace(-0.022, 0.022, 28))
    assert len(beats_of(loose, pulses)) > 28


def test_one_attack_that_strays_draws_no_beat_and_silence_none() -> None:
    beats = 1.0 + 0.5 * np.arange(24)
    late = 0.008 * np.sin(np.arange(24) / 6)
    strokes = beats + late
    strokes[12] += 0.015
    onsets = onsets_of(place(20.0, [(float(t), KICK, 0.8) for t in strokes]))

    found = local_offsets(onsets, beats, 2)
    assert np.abs(found - late).max() < 0.004
    assert np.abs(np.delete(found - late, [0, 11, 12, 13, 23])).max() < 0.0025
    assert np.abs(found).max() <= LOCAL_S
    assert not local_offsets(onsets, 14.0 + 0.5 * np.arange(8), 2).any()
