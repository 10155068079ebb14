"""Beats that start anew off their count: cut, paused, or followed by another beat in the same file; and those
whose tempo doubles or halves.

    python -m tests.accuracy.restarts [--count 40] [--seed 77000000] [--kind level] [--list]

Two generated beats of each number are drawn (seeds below 100000 are for training). `cut`: 20 to 300 ms lost
or put in at the middle bar line; `pause`: 0.3 to 2.5 s; `other`: after two thirds and up to 2 s of silence
the second beat; `whole`: untouched; `bar`: one or two beats taken out of the bar before the middle; `level`:
a longer one that doubles or halves its tempo about half-way (the slower one is 66 to 95 BPM). Printed
for each: share of the true bar lines within 5 ms of a found one; files where that holds for all but three;
F-measure of the beats (mir_eval, 70 ms; Davies et al. 2009); restarts found in a file; files that are
called constant with 0.8 or more; files of which a part is said to be counted at twice or half the tempo.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from typing import Any

import mir_eval
import numpy as np
import numpy.typing as npt

from analyzers.level.silence import find_lead_in
from analyzers.model import Grid
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec

RATE = 44100
AHEAD = 100  # samples that a cut lies before its bar line
KINDS = ("cut", "pause", "other", "whole", "bar", "level")
NEAR_S, SURE = 0.005, 0.8

Beats = npt.NDArray[np.float64]
Stereo = npt.NDArray[np.float32]


def drawn(seed: int, length_s: float | None = None, **changes: Any) -> tuple[Stereo, Beats]:
    """A beat of one tempo, no more but for the `changes`, and its beats: (s, 1 on a bar's first one)
    [shape=(n, 2)]."""
    plain = {"lead_in_s": 0.0, "lead_in": "silence", "tag": "none", "ending": "cut", "tail_s": 0.0}
    spec = replace(
        random_spec(seed, kind="beat", length_s=length_s),
        drift=0.0,
        pickup_beats=0.0,
        rate=RATE,
        defect="none",
        noise_bed="none",
        **{"tempo_step": None, **plain, **changes},
    )
    samples, truth = render(spec)
    return samples, np.array(truth.beats)


def later(beats: Beats, by_s: float) -> Beats:
    return beats + np.array([by_s, 0.0])


def made(kind: str, seed: int) -> tuple[Stereo, Beats]:
    """The file and its true beats."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    if kind == "level":
        slow, ratio = float(rng.integers(66, 96)), float(rng.choice([0.5, 2.0]))
        share = float(rng.uniform(0.4, 0.6))
        return drawn(seed, 180.0, bpm=slow if ratio > 1 else 2 * slow, tempo_step=(share, ratio))
    samples, beats = drawn(seed)
    lines = beats[beats[:, 1] > 0, 0]
    if kind == "whole":
        return samples, beats
    if kind == "other":
        at, rest = round(lines[len(lines) * 2 // 3] * RATE), round(rng.uniform(0, 2) * RATE)
        second, after = drawn(seed + 1)
        moved = later(after, (at + rest) / RATE)
        joined = np.concatenate([samples[:at], np.zeros((rest, 2), np.float32), second])
        return joined, np.concatenate([beats[beats[:, 0] < at / RATE - 0.01], moved])
    beat_s = beats[1, 0] - beats[0, 0]
    late = {
        "cut": rng.uniform(0.02, 0.3) * rng.choice([-1, 1]),
        "pause": rng.uniform(0.3, 2.5),
        "bar": -beat_s * rng.integers(1, 3),
    }[kind]
    line = lines[len(lines) // 2]
    cut, late = round(line * RATE) - AHEAD, round(late * RATE)
    gap = np.zeros((max(late, 0), 2), np.float32)
    before, after = beats[beats[:, 0] < line - 0.01], beats[beats[:, 0] >= line - 0.01]
    kept = before[before[:, 0] < (cut + min(late, 0)) / RATE]
    whole = np.concatenate([samples[: cut + min(late, 0)], gap, samples[cut:]])
    return whole, np.concatenate([kept, later(after, late / RATE)])


def measure(grid: Grid, beats: Beats) -> tuple[float, ...]:
    """(bar lines within 5 ms, F-measure of the beats, restarts, called constant and sure of it, a part may be
    counted otherwise)."""
    found = np.array(grid.beats_s)
    lines = found[np.array(grid.downbeats, bool)]
    true = beats[beats[:, 1] > 0, 0]
    near = np.abs(true[:, None] - lines).min(axis=1) < NEAR_S if len(lines) else np.zeros(1)
    sure = grid.constant_tempo is True and grid.constant_confidence >= SURE
    f_measure = mir_eval.beat.f_measure(beats[:, 0], found)
    return float(near.mean()), f_measure, len(grid.restarts), float(sure), float(grid.other_level is not None)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=77_000_000)
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--list", action="store_true", help="print every beat")
    args = parser.parse_args(argv)
    print("kind    beats  bar lines <= 5 ms  all but 3 of them  beat F  restarts  sure to be constant  part")
    for kind in args.kind or KINDS:
        rows = []
        for seed in range(args.seed, args.seed + 2 * args.count, 2):
            samples, beats = made(kind, seed)
            features = Features(Signal(samples, RATE))
            row = measure(find_grid(features, find_lead_in(features)), beats)
            allowed = 1 - 3 / max((beats[:, 1] > 0).sum(), 4)
            rows.append((row[0], float(row[0] >= allowed), *row[1:]))
            if args.list:
                print(kind, seed, *(f"{value:.3f}" for value in rows[-1]))
        mean = np.mean(rows, axis=0)
        print(
            f"{kind:6s} {len(rows):6d} {mean[0]:18.3f} {mean[1]:18.3f} {mean[2]:7.3f} {mean[3]:9.3f} "
            f"{mean[4]:21.3f} {mean[5]:5.3f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
