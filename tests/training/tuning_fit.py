"""The logistic model of `analyzers/harmony/tuning.py`: how sure an offset is of being right within 6 cents.

    python -m tests.training.tuning_fit CORPUS... [--views 6] [--seed 5]

A corpus is a folder with audio and `truth.jsonl` (`file`, `tuning_cents`). Each piece is taken whole and in
views of it that are harder: a few seconds, with the weaker partials gone, played from a tape with wow,
blurred, with bells beside it that belong to no scale. Each corpus counts alike, half for its views. Prints,
for every corpus left out of the fit, how often what is said with .8 or more is right, then the model: the
slopes of all corpora times `FOREIGN`, as records are further off than one corpus is from another.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from analyzers.harmony.tuning import LEAST_PARTIALS, USUAL_PARTIALS, measured, steady_partials
from analyzers.signal.features import Features
from analyzers.signal.spectrum import FRAME_RATE_HZ, Partials
from config.settings import Settings
from daemon.decode.decoder import decode

RIGHT_CENTS = 6.0
FOREIGN = 0.6  # least cross-entropy on pieces of a generator that is no part of the fit
LEAST_WEIGHTS = 0.01
SURE = 0.8
Rng = np.random.Generator
Rows = np.ndarray  # log concentration, log count, 1 [shape=(n, 3)]


def view(rng: Rng, partials: Partials, duration_s: float) -> Partials:
    """A harder piece made of this one's partials."""
    length_s = min(float(rng.choice([4, 6, 8, 12, 20, 30])), duration_s)
    first = int(rng.uniform(0, duration_s - length_s) * FRAME_RATE_HZ)
    last = first + int(length_s * FRAME_RATE_HZ)
    kept = (partials.frame >= first) & (partials.frame < last)
    frame, hz, size = partials.frame[kept] - first, partials.hz[kept].astype(float), partials.magnitude[kept]
    strong = size >= np.quantile(size, 1 - rng.choice([1, 1, 0.5, 0.25, 0.12])) if len(size) else size > 0
    frame, hz, size = frame[strong], hz[strong], size[strong]
    wow, rate, blur = (
        rng.choice([0, 0, 0, 10, 18, 25, 40]),
        rng.uniform(0.3, 1.2),
        rng.choice([0, 0, 3, 8, 14]),
    )
    cents = wow * np.sin(2 * np.pi * (rate * frame / FRAME_RATE_HZ + rng.random()))
    hz = hz * 2 ** ((cents + blur * rng.normal(size=len(hz))) / 1200)
    bells = [(frame, hz, size)]
    for _ in range(int(rng.choice([0, 0, 0, 0.2, 0.5, 1, 2]) * length_s * 3)):
        lasts, note = int(rng.integers(6, 20)), np.exp(rng.uniform(np.log(100), np.log(1600)))
        begins = int(rng.integers(0, max(last - first - lasts, 1)))
        loud = np.quantile(size, 0.8) if len(size) else 0.01
        bells.append(
            (
                begins + np.arange(lasts),
                note * 2 ** (rng.normal(0, 2, lasts) / 1200),
                np.full(lasts, loud, np.float32),
            )
        )
    frame, hz, size = (np.concatenate(parts) for parts in zip(*bells, strict=True))
    order = np.argsort(frame, kind="stable")
    return Partials(
        frame[order].astype(np.int32), hz[order].astype(np.float32), size[order].astype(np.float32)
    )


def examples(rng: Rng, folder: Path, views: int) -> tuple[Rows, np.ndarray, np.ndarray]:
    """Evidence, whether the offset was right, and whether it is a view, of all pieces with a tuning."""
    rows, right, seen = [], [], []
    for row in map(json.loads, (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()):
        if row.get("tuning_cents") is None:
            continue
        f = Features(decode(folder / row["file"], limits=Settings().limits).signal)
        whole = f.spectrum.treble
        for number in range(views + 1):
            pitch, weights, _ = steady_partials(view(rng, whole, f.duration_s) if number else whole)
            cents = (pitch + 50) % 100 - 50
            if len(cents) >= LEAST_PARTIALS:
                offset, _, concentration = measured(cents, weights)
                rows.append((np.log(concentration), np.log(len(cents) / USUAL_PARTIALS), 1.0))
                right.append(abs((offset - row["tuning_cents"] + 50) % 100 - 50) <= RIGHT_CENTS)
                seen.append(number > 0)
    return np.array(rows).reshape(-1, 3), np.array(right, float), np.array(seen)


def fitted(parts: list[tuple[Rows, np.ndarray, np.ndarray]]) -> np.ndarray:
    """Slopes and constant of least cross-entropy."""
    x, y = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    weight = np.concatenate([1 / np.where(v, max(v.sum(), 1), max((~v).sum(), 1)) for _, _, v in parts])

    def cost(w: np.ndarray) -> float:
        odds = x @ w
        return float(
            100 * weight @ (np.logaddexp(0, odds) - y * odds) + LEAST_WEIGHTS * (w[:2] ** 2).sum() / 2
        )

    found: np.ndarray = minimize(cost, np.zeros(3)).x
    return found


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("corpora", nargs="+", type=Path)
    p.add_argument("--views", type=int, default=6)
    p.add_argument("--seed", type=int, default=5)
    a = p.parse_args()
    rng = np.random.default_rng(a.seed)
    parts = [examples(rng, folder, a.views) for folder in a.corpora]
    for k, (folder, (x, y, _)) in enumerate(zip(a.corpora, parts, strict=True)):
        others = parts[:k] + parts[k + 1 :] or parts
        said = expit(FOREIGN * (x @ fitted(others)))
        sure = said >= SURE
        share = f"{y[sure].mean():.3f}" if sure.any() else "-"
        print(f"{folder.name}: {len(y)}, right {y.mean():.3f}, said {said.mean():.3f}", end="; ")
        print(f">= {SURE}: {sure.sum()}, right {share}")
    print("CONFIDENCE_FIT =", tuple(round(float(v), 2) for v in FOREIGN * fitted(parts)))


if __name__ == "__main__":
    main()
