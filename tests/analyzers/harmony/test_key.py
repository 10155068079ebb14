"""Key on progressions that any handbook of harmony gives for a key, and on what has none."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.harmony.key import find_key
from analyzers.harmony.spelling import scale_names, tonic_name
from analyzers.harmony.tuning import find_tuning
from analyzers.model import Grid, Key
from tests.analyzers.harmony_kit import RATE, Wave, accompaniment, drums, features, grid, no_grid

# cadences that establish a key: I vi IV V / I IV V7 I, and in minor i VI iv V7 / i iv V7 i
MAJOR = [(0, "maj"), (9, "min"), (5, "maj"), (7, "maj"), (0, "maj"), (5, "maj"), (7, "7"), (0, "maj")]
MINOR = [(0, "min"), (8, "maj"), (5, "min"), (7, "7"), (0, "min"), (5, "min"), (7, "7"), (0, "min")]
DORIAN = [(0, "min7"), (5, "7")] * 4
MIXOLYDIAN = [(0, "maj"), (10, "maj"), (5, "maj"), (0, "maj")] * 2


def moved(chords: list[tuple[int, str]], tonic: int) -> list[tuple[int, str] | None]:
    return [((root + tonic) % 12, quality) for root, quality in chords]


def key_of(wave: Wave, g: Grid | None = None) -> Key:
    f = features(wave)
    return find_key(f, find_tuning(f), g if g is not None else grid(len(wave) / RATE))


@pytest.mark.parametrize("tonic", range(12))
@pytest.mark.parametrize(("mode", "chords"), [("major", MAJOR), ("minor", MINOR)])
def test_handbook_cadences_give_their_key(tonic: int, mode: str, chords: list[tuple[int, str]]) -> None:
    key = key_of(accompaniment(moved(chords, tonic)))
    assert key.tonic == tonic_name(tonic, "minor" if mode == "minor" else "major")
    assert key.mode in ((mode,) if mode == "major" else ("minor", "harmonic minor"))
    assert key.confidence > 0.5
    assert key.scale[0] == key.tonic


@pytest.mark.parametrize("cents", [-45.0, -31.77, 20.0, 45.0])
def test_a_detuned_track_keeps_its_key(cents: float) -> None:
    key = key_of(accompaniment(moved(MINOR, 3), cents=cents))
    assert key.tonic == "E flat"


def test_drums_and_a_deep_kick_do_not_change_the_key() -> None:
    wave = accompaniment(moved(MAJOR, 7))
    assert key_of(wave + drums(8)).tonic == "G"


@pytest.mark.parametrize(("chords", "mode"), [(DORIAN, "dorian"), (MIXOLYDIAN, "mixolydian")])
def test_church_modes_are_said_and_their_scale_is_given(chords: list[tuple[int, str]], mode: str) -> None:
    key = key_of(accompaniment(moved(chords, 2)))
    assert (key.tonic, key.mode) == ("D", mode)
    assert key.scale == scale_names(2, mode)


def test_relative_parallel_and_runner_up_are_listed() -> None:
    key = key_of(accompaniment(moved(MAJOR, 0)))
    assert key.relative is not None
    assert key.parallel is not None
    assert (key.relative.tonic, key.relative.mode) == ("A", "minor")
    assert (key.parallel.tonic, key.parallel.mode) == ("C", "minor")
    probabilities = [c.probability for c in key.alternatives]
    assert probabilities == sorted(probabilities, reverse=True)
    assert probabilities[0] == key.confidence
    assert sum(probabilities) <= 1.0
    assert sum(key.profile) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("kind", ["drums", "noise", "silence", "one sample", "random notes"])
def test_what_has_no_key_gets_none(kind: str) -> None:
    rng = np.random.default_rng(11)
    wave = {
        "drums": drums(16), "noise": rng.normal(0, 0.1, 20 * RATE), "silence": np.zeros(5 * RATE),
        "one sample": np.ones(1), "random notes": np.concatenate(
            [np.sin(2 * np.pi * rng.uniform(100, 2000) * np.arange(RATE // 2) / RATE) for _ in range(60)]),
    }[kind]  # fmt: skip
    key = key_of(wave)
    assert key.tonic is None
    assert key.mode is None
    assert key.confidence <= 0.5
    assert key.reason
    assert key.scale == ()


def test_a_change_of_key_is_found_on_its_bar_line() -> None:
    before, after = moved(MAJOR, 0) * 2, moved(MAJOR, 3) * 2
    key = key_of(accompaniment(before + after))
    assert key.tonic == "C"
    assert [(c.tonic, c.mode) for c in key.changes] == [("E flat", "major")]
    assert key.changes[0].at_s == pytest.approx(32.0, abs=2.0)  # one bar is 2 s
    assert key.changes[0].at_s % 2.0 == 0.0


def test_a_secondary_dominant_is_no_change_of_key() -> None:
    loop = [(0, "maj"), (2, "7"), (7, "7"), (0, "maj")] * 6  # I V/V V I
    key = key_of(accompaniment(moved(loop, 0)))
    assert key.tonic == "C"
    assert key.changes == ()


def test_works_without_a_grid() -> None:
    key = key_of(accompaniment(moved(MINOR, 9)), no_grid())
    assert key.tonic == "A"
    assert key.changes == ()


def test_the_same_signal_gives_the_same_answer() -> None:
    wave = accompaniment(moved(MINOR, 5))
    assert key_of(wave) == key_of(wave)
