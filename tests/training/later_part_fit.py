"""Fit how likely bar lines half a beat off are by the later part of a song: `analyzers.rhythm.later_part`.

    python -m tests.training.later_part_fit ask ROWS.npz ORIGIN [--soundfont FILE FILE] [--jobs 8]
    python -m tests.training.later_part_fit fit WEIGHTS.npz ROWS.npz...

`ask` renders music and, where the analysis finds the tempo and asks the later part, keeps what the odds rest
on and whether the bar lines are half a beat off. ORIGIN: `songs` of `offbeat_songs.py` (by its own sounds
and, one in four, by one of two General MIDI soundfonts, where they are named), `beats` of the generator, or
its beats with chords and bass `displaced` off the drums (`half_beat_fit.py`). `fit` writes
`calibrate_later_part` into WEIGHTS and prints for each origin what becomes of right and wrong bar lines by a
fit on other kinds. `WORTH` says how often each kind is taken to occur: where no kick sounds nobody may know,
and chords hardly ever keep off the drums throughout. Seeds of beats lie below 100000. Shipped: all three as
they are drawn here, songs with two soundfonts.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import numpy as np

from analyzers.level.silence import find_lead_in
from analyzers.rhythm import grid as grid_module
from analyzers.rhythm import later_part
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from tests.accuracy.grid import bar_lines, same_tempo
from tests.training import half_beat_fit
from tests.training.grid_calibrate import logistic, predict
from tests.training.offbeat_songs import KINDS
from tests.training.offbeat_sounds import RATE, played

# (seed, songs of each kind); (first seed, beats)
SONGS, BEATS, DISPLACED = (10, 40), (30000, 3000), (70000, 700)
RIDGE, FOLDS = 10.0, 7
WORTH = {"plain": 2.0, "plain2": 2.0, "antic": 2.0, "polka": 2.0, "footwork": 2.0, "house_nokick": 0.5}
NEAR = 0.12  # of a beat


class Music(NamedTuple):
    """A signal with its true bar lines (s) and accepted tempi."""

    signal: Signal
    lines_s: np.ndarray
    tempi: tuple[float, ...]


class Row(NamedTuple):
    """`told` of one that is asked about, and whether its bar lines are half a beat off."""

    origin: str
    kind: str
    told: np.ndarray
    half: bool


def song(kind: str, number: int, fonts: list[Path]) -> Music:
    written = KINDS[kind](np.random.default_rng([SONGS[0], number, zlib.crc32(kind.encode())]))
    bar_s = written.beats * written.beat_s
    lines = written.starts_s + np.arange(-8, written.bars + 8) * bar_s
    tempi = tuple(written.bpm * level for level in (0.5, 1.0, 2.0))
    return Music(Signal(played(written, fonts), RATE), lines, tempi)


def beat(samples: np.ndarray, rate: int, truth: dict[str, Any]) -> Music | None:
    """None where it has no steady beat."""
    if truth["tempo_bpm"] is None:
        return None
    tempi = tuple(truth["tempo_ok"] or [truth["tempo_bpm"]])
    return Music(Signal(np.asarray(samples, np.float32), rate), bar_lines(truth), tempi)


def drawn(origin: str, number: int, kind: str, fonts: list[Path]) -> tuple[str, Music | None]:
    """Kind and music of one of an origin."""
    if origin == "songs":
        return kind, song(kind, number, fonts)
    if origin == "displaced":
        kind, spec, samples, truth = half_beat_fit.drawn(DISPLACED[0] + number)
        return kind, beat(samples, spec.rate, truth)
    spec = random_spec(BEATS[0] + number)
    samples, labels = render(spec)
    return spec.style, beat(samples, spec.rate, labels.as_row(str(number)))


def row(origin: str, fonts: list[Path], item: tuple[int, str]) -> Row | None:
    """What is kept of one; None where nobody asks, or the tempo or the bar lines are wrong otherwise."""
    kind, music = drawn(origin, *item, fonts)
    if music is None:
        return None
    kept: list[np.ndarray] = []

    def unlikely(told: np.ndarray) -> float:
        kept.append(told)
        return 0.0

    f = Features(music.signal)
    with patch.object(later_part, "_share", unlikely):
        grid = grid_module.find_grid(f, find_lead_in(f))
    if not kept or grid.bar_one_s is None or not any(same_tempo(grid.tempo_bpm, t) for t in music.tempi):
        return None
    beats, middle = np.array(grid.beats_s)[np.array(grid.downbeats)], f.duration_s / 2
    line = float(beats[np.argmin(np.abs(beats - middle))])
    nearest = float(music.lines_s[np.argmin(np.abs(music.lines_s - line))])
    late = (line - nearest) * (grid.tempo_bpm or 0.0) / 60.0 % 1.0
    half = abs(late - 0.5) < NEAR
    return Row(origin, kind, kept[-1], half) if half or min(late, 1.0 - late) < NEAR else None


def ask(out: Path, origin: str, fonts: list[Path], jobs: int) -> None:
    items: Iterator[tuple[int, str]]
    if origin == "songs":
        items = ((n, kind) for n in range(SONGS[1]) for kind in KINDS)
    else:
        items = ((n, "") for n in range((BEATS if origin == "beats" else DISPLACED)[1]))
    with ProcessPoolExecutor(jobs) as pool:
        rows = [r for r in pool.map(partial(row, origin, fonts), items) if r is not None]
    arrays = {name: np.array([getattr(r, name) for r in rows]) for name in Row._fields}
    np.savez_compressed(out, **arrays)
    print(f"{origin}: {len(rows)} asked about, {arrays['half'].sum()} half a beat off")


def worth(origin: str, kind: str) -> float:
    return half_beat_fit.WORTH[kind] if origin == "displaced" else WORTH.get(kind, 1.0)


def fit(weights: Path, paths: list[Path]) -> None:
    """The fit, and its marks on kinds that it has not seen."""
    rows = [np.load(path) for path in paths]
    origin, kind, x, half = (np.concatenate([r[name] for r in rows]) for name in Row._fields)
    y, w = half.astype(float), np.array([worth(*names) for names in zip(origin, kind, strict=True)])
    fold = np.random.default_rng(0).permutation(len(np.unique(kind)))[np.unique(kind, return_inverse=True)[1]]
    p = np.empty(len(y))
    for k in range(FOLDS):
        mine = fold % FOLDS == k
        p[mine] = predict(logistic(x[~mine], y[~mine], RIDGE, w[~mine]), x[mine])
    for name in np.unique(origin):
        for wrong in (0.0, 1.0):
            q = p[(origin == name) & (y == wrong)]
            print(f"{name:<10}{'wrong' if wrong else 'right'} {len(q):>4}: turned {np.sum(q > 0.5):>3}")
    with np.load(weights) as stored:
        arrays = dict(stored)
    np.savez_compressed(weights, **arrays | {"calibrate_later_part": logistic(x, y, RIDGE, w)})


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parts = parser.add_subparsers(dest="part", required=True)
    asks = parts.add_parser("ask")
    asks.add_argument("rows", type=Path)
    asks.add_argument("origin", choices=("songs", "beats", "displaced"))
    asks.add_argument("--soundfont", type=Path, nargs="*", default=[])
    asks.add_argument("--jobs", type=int, default=1)
    fits = parts.add_parser("fit")
    fits.add_argument("weights", type=Path)
    fits.add_argument("rows", type=Path, nargs="+")
    a = parser.parse_args()
    if a.part == "ask":
        ask(a.rows, a.origin, a.soundfont, a.jobs)
    else:
        fit(a.weights, a.rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
