"""Stems of one song or separate beats, on songs of our own generator (seeds that no weight was fitted on)."""

from __future__ import annotations

import time
from functools import cache

import numpy as np
import pytest

from analyzers.structure.stem_sets import SetVerdict, judge_set
from analyzers.structure.stem_traits import traits_of
from daemon.decode.twotrack import Windows, compare
from demo.render import render
from demo.spec import random_spec
from demo.stems import render_stems

RATE = 44100
SEED = 200_010


@cache
def stems() -> dict[str, np.ndarray]:
    return render_stems(random_spec(SEED, kind="beat", style="boombap", length_s=40))[0]


@cache
def beat(number: int) -> np.ndarray:
    return render(random_spec(SEED + number, kind="beat", length_s=40))[0]


def judge(files: list[np.ndarray], rate: int = RATE) -> SetVerdict:
    longest = max(map(len, files)) / rate
    windows = Windows(rate, longest)
    for wave in files:
        windows.take(wave)
    found = compare([str(k) for k in range(len(files))], windows)
    return judge_set([traits_of(wave, rate, longest) for wave in files], found.likeness, found.roles)


def master(wave: np.ndarray) -> np.ndarray:
    return (np.tanh(wave / np.abs(wave).max() * 1.5) * 0.95).astype(np.float32)


def total(*without: str) -> np.ndarray:
    return np.sum([wave for name, wave in stems().items() if name not in without], axis=0)


@pytest.mark.parametrize("how", ["plain", "mono", "bounce", "doubled", "silent one"])
def test_stems_of_one_song(how: str) -> None:
    files = list(stems().values())
    if how == "mono":
        files = [wave.mean(axis=1, keepdims=True) for wave in files]
    if how == "bounce":
        files.append(master(total()))
    if how == "doubled":
        files.append(np.roll(files[-1], 700, axis=0) * np.float32(0.6))
    if how == "silent one":
        files.append(np.zeros_like(files[0]))
    found = judge(files)

    assert found.kind == "stems"
    assert found.confidence >= 0.9


def test_separate_beats_also_of_one_length() -> None:
    files = [beat(1), beat(2), beat(3)]
    shortest = min(map(len, files))

    assert judge(files).kind == "beats"
    assert judge([wave[:shortest] for wave in files]).kind == "beats"
    assert judge(files).mixes == ()


def test_mixes_of_one_beat_are_never_summed_and_named() -> None:
    files = [master(total()), master(total("drums"))]

    assert judge(files).kind == "beats"
    assert judge(files).mixes == ((0, 1),)
    both = judge([*files, beat(1)])
    assert both.kind != "stems"
    assert both.mixes == ((0, 1),)


def test_one_mix_in_two_formats() -> None:
    wave = master(total())
    rough = (np.round(wave * 2047) / 2047).astype(np.float32)

    assert judge([wave, rough]).kind == "one mix"


def test_stems_of_two_songs_are_not_one() -> None:
    """Half of the stems of one, a mix of another."""
    assert judge([*list(stems().values())[:2], beat(1)]).kind != "stems"


def test_nothing_heard_says_nothing() -> None:
    silence = np.zeros((RATE * 12, 2), np.float32)

    assert judge([silence, silence]).kind == "unclear"
    assert judge([silence, beat(1)]).kind == "unclear"


@pytest.mark.parametrize("seconds", [0.01, 1.0])
def test_very_short_files_do_no_harm(seconds: float) -> None:
    rng = np.random.default_rng(1)
    files = [rng.standard_normal((max(1, int(RATE * seconds)), 2)).astype(np.float32) * 0.1 for _ in "ab"]

    assert judge(files).kind in ("unclear", "beats")


def test_a_description_costs_little() -> None:
    """Of ten minutes, in processor time; decoding them takes about twice as long."""
    wave = np.tile(beat(1), (16, 1))[: 600 * RATE]
    begin = time.process_time()
    traits_of(wave, RATE, len(wave) / RATE)

    assert time.process_time() - begin < 1.5
