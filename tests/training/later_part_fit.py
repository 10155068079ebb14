"""Fit how likely bar lines half a beat off are by the later part of a song: `analyzers.rhythm.later_part`.

    python -m tests.training.later_part_fit [--soundfont FILE FILE]

Songs of `offbeat_songs.py`, by its own sounds and, one in four, by one of two General MIDI soundfonts (by its
own sounds where none is named). Where the analysis finds the tempo, its half or double, and asks the later
part, what the odds rest on and whether the bar lines are half a beat off are kept. `WORTH` says how often
each kind is taken to occur: ordinary beats are commoner than what is drawn here, and where no kick sounds
nobody may know. Prints the five numbers of the module, and for each kind what becomes of right and wrong bar
lines by a fit on the others. Shipped: the songs of `DRAWN`, with two soundfonts, 149 asked about.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from analyzers.level.silence import find_lead_in
from analyzers.rhythm import grid as grid_module
from analyzers.rhythm import later_part
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from tests.training.grid_calibrate import logistic, predict
from tests.training.offbeat_songs import KINDS
from tests.training.offbeat_sounds import RATE, played

OTHERS = ("antic", "polka", "footwork")
FIRST = tuple(kind for kind in KINDS if kind not in OTHERS)
# Seed, songs of each kind, kinds
DRAWN = (
    (10, 8, (*FIRST, "footwork")),
    (30, 24, FIRST),
    (31, 26, ("antic",)),
    (31, 14, ("polka",)),
)
WORTH = dict.fromkeys(("plain", "plain2", *OTHERS), 2.0) | {"house_nokick": 0.5}


def row(kind: str, seed: int, number: int, fonts: list[Path]) -> tuple[list[float], bool] | None:
    """What the odds rest on, and whether the bar lines are half a beat off; None where nobody asks."""
    song = KINDS[kind](np.random.default_rng([seed, number, zlib.crc32(kind.encode())]))
    f = Features(Signal(played(song, fonts), RATE))
    kept: list[Any] = []

    def told(networks: float, hits: np.ndarray) -> float:
        kept.append(later_part.told(networks, hits))
        return 0.0

    with patch.object(later_part, "_share", told):
        grid = grid_module.find_grid(f, find_lead_in(f))
    if not kept or grid.tempo_bpm is None or grid.bar_one_s is None:
        return None
    if not any(abs(grid.tempo_bpm / song.bpm / level - 1) < 0.005 for level in (0.5, 1.0, 2.0)):
        return None
    bar_s = song.beats * song.beat_s
    line = grid.bar_one_s + round(song.bars * bar_s / 2 / bar_s) * bar_s
    late = (line - song.starts_s) * grid.tempo_bpm / 60 % 1.0
    right, half = min(late, 1.0 - late) < 0.12, abs(late - 0.5) < 0.12
    return (kept[-1], half) if right or half else None


def report(found: list[tuple[str, list[float], bool]]) -> None:
    """The fit, and its marks on kinds that it has not seen."""
    kinds, x = np.array([r[0] for r in found]), np.array([r[1] for r in found])
    y = np.array([r[2] for r in found], float)
    w = np.array([WORTH.get(kind, 1.0) for kind in kinds])
    for kind in KINDS:
        mine = kinds == kind
        if mine.any():
            p = predict(logistic(x[~mine], y[~mine], 1.0, w[~mine]), x[mine])
            for wrong in (0.0, 1.0):
                q = p[y[mine] == wrong]
                print(f"{kind:<13}{'wrong' if wrong else 'right'} {len(q):>3}: turned {np.sum(q > 0.5):>3}")
    names = "NETWORKS, STRUCK, OPEN_HATS, ALTERNATES, BIAS"
    print(f"{len(y)} asked about: {names} =", np.round(logistic(x, y, 1.0, w), 2).tolist())


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--soundfont", type=Path, nargs="*", default=[])
    fonts = parser.parse_args().soundfont
    found = []
    for seed, count, kinds in DRAWN:
        for number in range(count):
            for kind in kinds:
                asked = row(kind, seed, number, fonts)
                if asked is not None:
                    found.append((kind, *asked))
    report(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
