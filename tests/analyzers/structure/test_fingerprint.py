"""Recognising the same music: other start, level, mastering and length do not matter; other music does."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analyzers.model import Grid
from analyzers.signal.samples import Signal
from analyzers.structure.fingerprint import (
    Fingerprint,
    _decode,
    _encode,
    compare,
    fingerprint,
    fold,
    is_other,
)

RATE = 44100


def grid(bpm: float, start_s: float, end_s: float) -> Grid:
    beats = tuple(start_s + 60 / bpm * np.arange(int((end_s - start_s) * bpm / 60)))
    return Grid(
        bpm, 1.0, (), True, 1.0, "4/4", 1.0, 4, start_s, 1.0, 0.0, beats,
        tuple(k % 4 == 0 for k in range(len(beats))), ((0.0, bpm),), None,
    )  # fmt: skip


@cache
def beat(seed: int, bpm: float = 120.0, beats: int = 72, start_s: float = 0.5) -> np.ndarray:
    """Chords, bass and drums that `seed` chooses, in E flat minor for every seed."""
    rng = np.random.default_rng(seed)
    period = 60 / bpm
    out = np.zeros(round((start_s + beats * period + 0.5) * RATE))
    scale = np.array([63, 65, 66, 68, 70, 71, 73])
    loop = rng.choice(7, 4)
    kicks, snares = rng.random(16) < 0.3, rng.random(16) < 0.25
    t = np.arange(round(period * RATE)) / RATE
    for k in range(beats):
        at = round((start_s + k * period) * RATE)
        degree = loop[k // 4 % 4]
        for step in (0, 2, 4):
            hertz = 440 * 2 ** ((scale[(degree + step) % 7] - 69) / 12)
            out[at : at + len(t)] += 0.1 * np.sin(2 * np.pi * hertz * t) * np.exp(-2 * t)
        for s in range(4):
            here = at + round(s * period * RATE / 4)
            n = len(t) // 4
            if kicks[(4 * k + s) % 16]:
                out[here : here + n] += 0.6 * np.sin(2 * np.pi * 55 * t[:n]) * np.exp(-20 * t[:n])
            if snares[(4 * k + s) % 16]:
                out[here : here + n] += 0.3 * rng.standard_normal(n) * np.exp(-40 * t[:n])
    return out


def signal(mono: np.ndarray) -> Signal:
    return Signal(np.stack([mono, mono], axis=1).astype(np.float32), RATE)


def made(mono: np.ndarray, bpm: float = 120.0, start_s: float = 0.5) -> Fingerprint:
    found = fingerprint(signal(mono), grid(bpm, start_s, len(mono) / RATE))
    assert found is not None
    return found


def test_the_same_is_the_same() -> None:
    print_ = made(beat(1))
    likeness = compare(print_, print_)
    assert likeness is not None
    assert likeness.similarity == pytest.approx(1.0, abs=1e-6)
    assert likeness.lag_beats == 0


@pytest.mark.parametrize("gain", [0.05, 4.0])
def test_level_and_clipping_do_not_matter(gain: float) -> None:
    likeness = compare(made(beat(1)), made(np.tanh(gain * beat(1))))
    assert likeness is not None
    assert likeness.lag_beats == 0


@pytest.mark.parametrize("beats", [3, 16])
def test_a_cut_start_is_found_as_a_lag(beats: int) -> None:
    music = beat(1)
    cut = music[round(beats * 0.5 * RATE) :]
    likeness = compare(made(music), made(cut))
    assert likeness is not None
    assert likeness.lag_beats == -beats
    back = compare(made(cut), made(music))
    assert back is not None
    assert back.lag_beats == beats


def test_half_time_reading_is_the_same_music() -> None:
    music = beat(1)
    half = fingerprint(signal(music), grid(60.0, 0.5, len(music) / RATE))
    assert half is not None
    assert compare(made(music), half) is not None


@pytest.mark.parametrize("seed", range(2, 8))
def test_another_beat_in_the_same_key_and_tempo_is_not(seed: int) -> None:
    assert compare(made(beat(1)), made(beat(seed))) is None


def test_another_tempo_is_not() -> None:
    assert compare(made(beat(1)), made(beat(1, bpm=121.0), bpm=121.0)) is None


def test_inverted_channel_is_described_like_the_music() -> None:
    mono = beat(1)
    inverted = Signal(np.stack([mono, -mono], axis=1).astype(np.float32), RATE)
    found = fingerprint(inverted, grid(120.0, 0.5, len(mono) / RATE))
    assert found is not None
    assert compare(made(mono), found) is not None


def test_nothing_to_describe_without_a_grid_or_with_few_beats() -> None:
    music = beat(1)
    none = replace(grid(120.0, 0.5, 40.0), tempo_bpm=None)
    assert fingerprint(signal(music), none) is None
    assert fingerprint(signal(music), grid(120.0, 0.5, 10.0)) is None


def test_silence_is_like_nothing() -> None:
    silent = made(np.zeros(RATE * 60))
    assert compare(silent, silent) is None


def test_code_holds_what_was_put_in_and_damage_is_harmless() -> None:
    rng = np.random.default_rng(0)
    columns = np.hstack([rng.integers(0, 16, (40, 12)), rng.integers(0, 4, (40, 8))]).astype(np.float32)
    assert np.array_equal(_decode(_encode(columns)), columns)
    assert compare(Fingerprint(120.0, 0.0, "not base64!"), made(beat(1))) is None


@pytest.mark.parametrize(
    ("bpm", "folded"), [(70, 140), (140, 140), (160, 80), (80, 80), (40, 80), (240, 120)]
)
def test_fold(bpm: float, folded: float) -> None:
    assert fold(bpm) == pytest.approx(folded)


def test_a_long_signal_is_read_in_bounded_pieces() -> None:
    samples = np.column_stack([beat(5), beat(5)]).astype(np.float32)

    class Long:
        shape, ndim, longest = samples.shape, 2, 0

        def __len__(self) -> int:
            return len(samples)

        def __getitem__(self, part: slice) -> np.ndarray:
            self.longest = max(self.longest, part.stop - part.start)
            return samples[part]

    elsewhere, marks = Long(), grid(120.0, 0.5, 36.5)

    assert fingerprint(Signal(elsewhere, RATE), marks) == fingerprint(Signal(samples, RATE), marks)  # type: ignore[arg-type]
    assert elsewhere.longest <= 1 << 17


def test_other_music_is_said_only_of_what_is_known() -> None:
    """The same beat at another tempo is no other music; neither is what cannot be compared."""
    one = made(beat(1))
    assert is_other(one, made(beat(2)))
    assert not is_other(one, made(beat(1, bpm=126.0), bpm=126.0))
    assert not is_other(one, None)
    assert not is_other(one, replace(one, code="damaged"))
