"""A voice ahead of the beat: is bar one where the music begins?

    python -m tests.accuracy.tags --speech FOLDER... [--seed 124000000] [--count 40] [--list]

Beats of the generator with a steady tempo, from their first sound on, and ahead of each a phrase of recorded
speech (any files that libsndfile opens), -6 to +4 dB beside the beat, now and then faster or slower:

* before: it ends 0.15 s after the music begins to 0.4 s before; echo: with five repeats into the music
* gap: 0.8 to 2.5 s of silence follow; two: two phrases with a pause between
* over: it goes on for a third of its length or more while the music plays
* worked: as before, but worked on: turned round, rung, slower, faster, distorted, combed, repeated, in a room
* babble: the generator's own tag, syllables of formants without words
* none: nobody speaks

Bar one is right within 70 ms. Beats whose bar one is wrong without a voice are left out. Seeds below 100000
are for training.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

from analyzers.level.silence import find_lead_in
from analyzers.model import Grid
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec

KINDS = ("before", "echo", "gap", "two", "over", "worked", "babble", "none")
TAGS = KINDS[:5]
EFFECTS = ("narrow", "ring", "slow", "fast", "distorted", "turned", "room", "comb", "repeats")
SECONDS, LEAD_S = 40.0, 0.2
SHORTEST_S, LONGEST_S = 0.5, 4.0
BESIDE_DB = (-6.0, 4.0)
SUFFIXES = (".ogg", ".wav", ".flac")
SPEEDS = (1.0, 1.0, 1.25, 0.8)


def speech_files(folders: list[Path]) -> list[Path]:
    """All audio in some folders and below them."""
    return sorted(p for folder in folders for p in folder.rglob("*") if p.suffix in SUFFIXES)


def phrase(rng: np.random.Generator, files: list[Path], rate: int) -> np.ndarray:
    """One file's speech between its first and last sound, power 1 [shape=(n,)]."""
    while True:
        x, own = sf.read(files[int(rng.integers(len(files)))], dtype="float32", always_2d=True)
        mono = np.concatenate([x.mean(axis=1), np.zeros(own // 50)])  # a file may be empty
        loud = np.flatnonzero(
            np.convolve(mono**2, np.ones(own // 50) / (own // 50), "same") > 1e-3 * np.mean(mono**2)
        )
        if len(loud) and SHORTEST_S < (loud[-1] - loud[0]) / own < LONGEST_S:
            speech = mono[loud[0] : loud[-1] + 1]
            speech = resample_poly(speech, rate // 100, int(own / 100 * rng.choice(SPEEDS)))
            return np.asarray(speech / np.sqrt(np.mean(speech**2)), np.float32)


def beat_of(seed: int, tag: str = "none") -> tuple[np.ndarray, int, float, float] | None:
    """A beat from its first sound on (its tag's, if it has one), its rate, bar one, a beat's length (s); None
    without a steady tempo."""
    spec = random_spec(seed, length_s=SECONDS)
    if spec.kind == "ambient" or spec.drift or spec.tempo_step:
        return None
    spec = replace(spec, noise_bed="none", lead_in="silence", lead_in_s=LEAD_S, tag=tag, defect="none")
    x, truth = render(spec)
    if truth.first_sound_s is None or truth.first_downbeat_s is None or truth.tempo_bpm is None:
        return None
    start = max(int((truth.first_sound_s - 0.01) * spec.rate), 0)
    return x[start:], spec.rate, truth.first_downbeat_s - start / spec.rate, 60 / truth.tempo_bpm


def worked_on(rng: np.random.Generator, x: np.ndarray, rate: int, effect: str) -> np.ndarray:
    """Speech with one of the `EFFECTS` that tags have (common practice), power 1 [shape=(n,)]."""
    if effect == "narrow":
        x = sosfilt(butter(4, (400, 3000), "band", fs=rate, output="sos"), x)
    elif effect == "ring":
        x = x * np.sin(2 * np.pi * rng.uniform(40, 300) / rate * np.arange(len(x)))
    elif effect in ("slow", "fast"):
        up, down = (100, int(100 * rng.uniform(1.3, 1.6)))[:: 1 if effect == "fast" else -1]
        x = resample_poly(x, up, down)
    elif effect == "distorted":
        x = np.tanh(8 * x / np.abs(x).max())
    elif effect == "turned":
        x = x[::-1]
    elif effect == "room":
        falls = np.exp(-np.arange(rate) / rate * rng.uniform(4, 8))
        x = fftconvolve(x, rng.standard_normal(rate) * falls)[: len(x) + rate // 2]
    elif effect == "comb":
        late = int(rate * rng.uniform(0.004, 0.012))
        x = sum(0.75**k * np.pad(x, (k * late, (5 - k) * late)) for k in range(6))
    else:
        x = np.concatenate([x[: int(rate * rng.uniform(0.08, 0.18))]] * int(rng.integers(2, 5)) + [x])
    return np.asarray(x / np.sqrt(np.mean(x**2)), np.float32)


def with_voice(
    rng: np.random.Generator,
    kind: str,
    x: np.ndarray,
    rate: int,
    beat_s: float,
    files: list[Path],
    effect: str = "",
) -> tuple[np.ndarray, float]:
    """The beat with a voice ahead, and when the beat begins in it."""
    speech = phrase(rng, files, rate)
    if effect:
        speech = worked_on(rng, speech, rate, effect)
    speech *= np.sqrt(np.mean(x[: 20 * rate] ** 2)) * 10 ** (rng.uniform(*BESIDE_DB) / 20)
    seconds = len(speech) / rate
    gap = {
        "before": rng.uniform(-0.15, 0.4),
        "echo": rng.uniform(0, 0.4),
        "gap": rng.uniform(0.8, 2.5),
        "two": rng.uniform(0, 0.5),
        "over": -rng.uniform(0.3, 0.8) * seconds,
    }[kind]
    if kind == "two":
        pause = np.zeros(int(rng.uniform(0.3, 1.0) * rate), np.float32)
        speech = np.concatenate([speech, pause, 0.8 * speech])
        seconds = len(speech) / rate
    start = int((LEAD_S + seconds + gap) * rate)
    out = np.concatenate([np.zeros((start, 2), np.float32), x])
    for k in range(6 if kind == "echo" else 1):
        at = int((LEAD_S + 0.75 * k * beat_s) * rate)
        length = min(len(speech), len(out) - at)
        out[at : at + length] += 0.45**k * speech[:length, None]
    return out / max(float(np.abs(out).max()) / 0.9, 1.0), start / rate


def grid_of(x: np.ndarray, rate: int) -> Grid:
    features = Features(Signal(np.ascontiguousarray(x, dtype=np.float32), rate))
    return find_grid(features, find_lead_in(features))


def answers(seed: int, files: list[Path]) -> Iterator[tuple[str, Grid, float]]:
    """(kind, grid, true bar one) of a beat with each kind of voice."""
    beat = beat_of(seed)
    if beat is None:
        return
    x, rate, one_s, beat_s = beat
    clean = grid_of(x, rate)
    if clean.bar_one_s is None or abs(clean.bar_one_s - one_s) > 0.07:
        return
    rng = np.random.default_rng(seed)
    yield "none", clean, one_s
    for kind in TAGS:
        y, start_s = with_voice(rng, kind, x, rate, beat_s, files)
        yield kind, grid_of(y, rate), start_s + one_s
    y, start_s = with_voice(rng, "before", x, rate, beat_s, files, str(rng.choice(EFFECTS)))
    yield "worked", grid_of(y, rate), start_s + one_s
    babbled = beat_of(seed, "before")
    if babbled is not None:
        yield "babble", grid_of(babbled[0], rate), babbled[2]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--speech", type=Path, nargs="+", required=True)
    parser.add_argument("--seed", type=int, default=124_000_000)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--list", action="store_true")
    a = parser.parse_args()
    files = speech_files(a.speech)
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for seed in range(a.seed, a.seed + a.count):
        for kind, grid, one_s in answers(seed, files):
            right = grid.bar_one_s is not None and abs(grid.bar_one_s - one_s) < 0.07
            sure = grid.bar_one_confidence >= 0.8
            found[kind].update(
                beats=1, right=right, sure=sure, wrong=sure and not right, voice=grid.voice_before
            )
            if a.list and not right:
                print(seed, kind, grid.bar_one_s, one_s, round(grid.bar_one_confidence, 2))
    for kind in KINDS:
        n = found[kind]
        print(
            f"{kind:<7} bar one right {n['right']} of {n['beats']}; "
            f"sure {n['sure']}, wrong of these {n['wrong']}; a voice named in {n['voice']}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
