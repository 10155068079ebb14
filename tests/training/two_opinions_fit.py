"""How sure a bar line is that two opinions agreed on: `OF_TWO` of `analyzers.rhythm.meter`.

    python -m tests.training.two_opinions_fit [CORPUS...] [--seed 331000000] [--count 720] [--jobs 2]

Generated beats of these seeds are analysed with bar lines of two opinions as sure as the first alone is.
Prints slope and offset (logistic, least cross-entropy on the generated beats); and of these and of each
corpus (`tests/accuracy/grid.py` says what that is) how many such bar lines there are, what is said of them on
the mean with the fit, how many are right, and of those with 0.8 or more. Music whose pulses are followed from
attack to attack is left out, as the fit is not applied there.

Shipped: the 66 of seeds from 331000000 (300) and from 334000000 (420); it was judged by corpora of
`played.py` and `offbeat_songs.py`.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.special import logit

from analyzers.level.silence import find_lead_in
from analyzers.model import Grid
from analyzers.rhythm import meter
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from tests.accuracy.grid import measure
from tests.accuracy.grid import predict as predict_item
from tests.training.grid_calibrate import logistic, predict

SURE, INSIDE = 0.8, (0.02, 0.98)
Job = tuple[str, int | Path, dict[str, Any]]


def answered(source: int | Path, truth: dict[str, Any]) -> tuple[dict[str, Any], Grid]:
    """Truth and grid of a generated beat (its seed), or of an item of a corpus."""
    if isinstance(source, Path):
        return {"meter": None} | truth, predict_item(truth, source)[0]
    samples, written = render(random_spec(source))
    features = Features(Signal(np.ascontiguousarray(samples, dtype=np.float32), written.samplerate))
    return written.as_row(str(source)), find_grid(features, find_lead_in(features))


def heard(job: Job) -> tuple[str, float, float] | None:
    """Origin, confidence of a bar line of two opinions, and 1 where it is right."""
    origin, source, truth = job
    followed: list[bool] = []

    def as_first(bar: float, _: float, played: bool) -> float:
        followed.append(played)
        return bar

    with patch.object(meter, "sure_of_two", as_first), patch.object(meter, "TWO_DOUBTS", 1.0):
        row, found = answered(source, truth)
    marks = measure(row, found)
    if found.tempo_bpm is None or "bar70" not in marks or not followed or followed[-1]:
        return None
    return origin, found.bar_one_confidence, marks["bar70"]


def of_corpus(folder: Path) -> Iterator[Job]:
    for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        yield folder.name, folder, json.loads(line)


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("corpora", type=Path, nargs="*")
    p.add_argument("--seed", type=int, default=331_000_000)
    p.add_argument("--count", type=int, default=720)
    p.add_argument("--jobs", type=int, default=1)
    a = p.parse_args()
    jobs: list[Job] = [("generated", seed, {}) for seed in range(a.seed, a.seed + a.count)]
    jobs += [job for folder in a.corpora for job in of_corpus(folder)]
    with ProcessPoolExecutor(a.jobs) as pool:
        rows = [row for row in pool.map(heard, jobs, chunksize=4) if row is not None]
    origin = np.array([row[0] for row in rows])
    x, y = logit(np.clip([row[1] for row in rows], *INSIDE))[:, None], np.array([row[2] for row in rows])
    own = origin == "generated"
    fit = logistic(x[own], y[own], 1.0, np.ones(int(own.sum())))
    said = predict(fit, x)
    print(f"slope {fit[0]:.2f}, offset {fit[1]:.2f}")
    for name in dict.fromkeys(origin.tolist()):
        mine, sure = origin == name, (origin == name) & (said >= SURE)
        print(f"{name:<12}{mine.sum():>4} said {said[mine].mean():.2f} right {y[mine].mean():.2f}", end="")
        print(f"   >= {SURE}: {sure.sum()} right {y[sure].mean() if sure.any() else float('nan'):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
