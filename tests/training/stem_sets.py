"""Fit the weights of `analyzers.structure.stem_sets` on our own generator's songs.

    python -m tests.training.stem_sets CACHE --seeds 0 60 [--write]

Prints, cross-validated over songs, how many deliveries of each kind are taken for stems, for beats, or asked
about. Songs rendered before are read from CACHE.
"""

from __future__ import annotations

import argparse
import pickle
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from analyzers.structure.stem_sets import SetVerdict, judge_set, part_features, set_features
from analyzers.structure.stem_traits import Traits, traits_of
from daemon.decode.twotrack import Windows, compare
from tests.training.stem_sets_data import RATE, Files, deliveries

Array = npt.NDArray[np.float64]
WEIGHTS = Path(__file__).parents[2] / "analyzers" / "weights" / "stem_sets.npz"
FOLDS = 4
PENALTIES = (0.01, 0.001)  # of one file, of a set
MIXES = ("mixes of one beat", "mixes of one beat and others")


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What is known of one delivery before any weight is."""

    seed: int
    truth: str
    kind: str
    whole: list[bool]  # of each file: is it a mix of all?
    traits: list[Traits]
    likeness: Array
    roles: tuple[str, ...]


def look_at(seed: int, truth: str, kind: str, files: Files) -> Looked:
    longest = max(map(len, files.values())) / RATE
    windows = Windows(RATE, longest)
    traits = []
    for wave in files.values():
        windows.take(wave)
        traits.append(traits_of(wave, RATE, longest))
    verdict = compare([str(k) for k in range(len(files))], windows)
    whole = [truth == "beats" or name == "all" for name in files]
    return Looked(seed, truth, kind, whole, traits, verdict.likeness, verdict.roles)


def fit(x: Array, y: Array, penalty: float) -> tuple[Array, float]:
    """Logistic regression with classes of equal weight and an L2 penalty on standardised inputs."""
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = (x - mean) / spread
    size = np.where(y > 0, 0.5 / y.mean(), 0.5 / (1 - y.mean()))

    def loss(p: Array) -> float:
        value = z @ p[:-1] + p[-1]
        return float((size * (np.logaddexp(0, value) - y * value)).mean() + penalty * (p[:-1] ** 2).sum())

    p = minimize(loss, np.zeros(z.shape[1] + 1)).x
    return p[:-1] / spread, float(p[-1] - (p[:-1] * mean / spread).sum())


def fit_all(looked: list[Looked]) -> dict[str, npt.NDArray[np.float32]]:
    """Completeness of one file first, then of a set, whose features rest on it."""
    single = [one for one in looked if one.kind in ("plain", "with a bounce", "any lengths", MIXES[0])]
    x = np.array([part_features(t) for one in single for t in one.traits])
    y = np.array([w for one in single for w in one.whole], float)
    weights, bias = fit(x, y, PENALTIES[0])
    stored = {"file_weights": weights.astype(np.float32), "file_bias": np.float32(bias)}
    sets = [one for one in looked if one.kind not in MIXES]
    x = np.array([set_features(one.traits, stored) for one in sets])  # type: ignore[arg-type]
    weights, bias = fit(x, np.array([one.truth == "stems" for one in sets], float), PENALTIES[1])
    stored |= {"set_weights": weights.astype(np.float32), "set_bias": np.float32(bias)}
    return stored  # type: ignore[return-value]


def verdict_of(one: Looked, stored: dict[str, npt.NDArray[np.float32]] | None = None) -> SetVerdict:
    return judge_set(one.traits, one.likeness, one.roles, stored)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 60))
    parser.add_argument("--write", action="store_true")
    a = parser.parse_args()
    seeds, looked = range(*a.seeds), []
    for seed in seeds:
        path = a.cache / f"looked{seed}.pickle"  # our own, of this run's code
        if not path.exists():
            found = [look_at(seed, d.truth, d.kind, d.files) for d in deliveries(seed, a.cache, seeds)]
            path.write_bytes(pickle.dumps(found))
        looked += pickle.loads(path.read_bytes())
    counts: dict[tuple[str, str], list[str]] = defaultdict(list)
    for fold in range(FOLDS):
        stored = fit_all([one for one in looked if one.seed % FOLDS != fold])
        for one in looked:
            if one.seed % FOLDS == fold:
                counts[one.truth, one.kind].append(verdict_of(one, stored).kind)
    for (truth, kind), kinds in sorted(counts.items()):
        said = ", ".join(f"{kinds.count(k)} {k}" for k in ("stems", "beats", "one mix", "unclear"))
        print(f"{truth:6} {kind:30} {len(kinds):4}: {said}")
    if a.write:
        np.savez(WEIGHTS, **fit_all(looked))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
