"""Train the boundary network of `analyzers.structure.sections` on beats of the demo generator.

    python tests/training/harmony_sections.py m*.npz s*.npz --held v*.npz --steps 12000 [--out FOLDER]

The data are those of `harmony.py`, by other sounds than its d*.npz, whose songs have no sections.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import mir_eval
import numpy as np
import numpy.typing as npt
from equivariant_fit import save

from analyzers.structure.section_evidence import bar_pictures, boundary_evidence
from analyzers.structure.sections import BoundaryNet, best_boundaries

Array = npt.NDArray[np.float64]
HIDDEN = 48


def songs(paths: list[Path]) -> Iterator[tuple[npt.NDArray[np.float32], Array, Array, Array]]:
    """Signs of each bar line, whether a section starts there, bar times, true boundaries in seconds."""
    for path in paths:
        with np.load(path) as data:
            d = {k: data[k] for k in data.files}
        at = 0
        for n in d["lengths"]:
            s = slice(at, at + n)
            at += n
            down, part, times = (
                np.flatnonzero(d["down"][s]),
                d["part"][s].astype(int),
                d["edges"][s].astype(float),
            )
            if part.max() < 2 or len(down) < 4:
                continue
            starts = np.unique(np.concatenate(([0], down)))
            count = np.diff(np.append(starts, n))[:, None]
            power = np.add.reduceat(10 ** (d["bands"][s] / 10.0 - 12), starts, axis=0) / count
            levels = np.add.reduceat(d["x"][s][:, 0] / np.float32(255), starts, axis=0) / count
            bands = 10 * np.log10(power + 1e-12)
            looks, chroma = bar_pictures(bands.astype(np.float32), levels.astype(np.float32))
            evidence = boundary_evidence(looks, chroma, int(np.searchsorted(starts, down[0])))
            changes = np.flatnonzero(np.diff(part)) + 1
            label = np.array([float(np.any(np.abs(changes - k) <= 1)) for k in starts])
            end = times[-1] + np.median(np.diff(times))
            truth = np.concatenate((times[changes], [end]))
            if part[0] > 0:
                truth = np.concatenate((times[:1], truth))
            yield evidence, label, np.append(times[starts], end), np.unique(truth)


def fit(x: npt.NDArray[np.float32], y: Array, steps: int, rng: np.random.Generator) -> BoundaryNet:
    """Logistic loss, Adam, dropout 0.2, weight decay."""
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-3
    x = (x - mean) / scale
    p = {"w1": rng.normal(0, np.sqrt(2 / x.shape[1]), (x.shape[1], HIDDEN)), "b1": np.zeros(HIDDEN),
         "w2": rng.normal(0, 0.1, HIDDEN), "b2": np.array([-2.0])}  # fmt: skip
    m, v = ({k: np.zeros_like(w) for k, w in p.items()} for _ in range(2))
    for step in range(1, steps + 1):
        pick = rng.integers(0, len(x), 256)
        before = x[pick] @ p["w1"] + p["b1"]
        keep = (rng.random(before.shape) >= 0.2) / 0.8
        hidden = np.maximum(before, 0) * keep
        slope = (1 / (1 + np.exp(-(hidden @ p["w2"] + p["b2"]))) - y[pick]) / len(pick)
        back = np.outer(slope, p["w2"]) * (before > 0) * keep
        grads = {
            "w1": x[pick].T @ back,
            "b1": back.sum(0),
            "w2": hidden.T @ slope,
            "b2": np.array([slope.sum()]),
        }
        pace = 2e-3 * 0.5 * (1 + np.cos(np.pi * step / steps))
        for k, g in grads.items():
            m[k] = 0.9 * m[k] + 0.1 * g
            v[k] = 0.999 * v[k] + 0.001 * g * g
            p[k] = p[k] * (1 - pace * 0.05 * (k[0] == "w"))
            p[k] = p[k] - pace * m[k] / (1 - 0.9**step) / (np.sqrt(v[k] / (1 - 0.999**step)) + 1e-8)
    return BoundaryNet(mean, scale, *(p[k].astype(np.float32) for k in ("w1", "b1", "w2", "b2")))


def f_measure(truth: Array, found: Array) -> float:
    """mir_eval.segment.detection F at 3 s, ends left out."""
    reference = np.stack((truth[:-1], truth[1:]), axis=1)
    estimate, _ = mir_eval.util.adjust_intervals(
        np.stack((found[:-1], found[1:]), axis=1), t_min=truth[0], t_max=truth[-1]
    )
    estimate = estimate[np.diff(estimate, axis=1)[:, 0] > 1e-6]
    return float(mir_eval.segment.detection(reference, estimate, window=3.0, trim=True)[2])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", nargs="+", type=Path)
    parser.add_argument("--held", nargs="+", type=Path, required=True)
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--out", type=Path, default=Path("analyzers/weights"))
    args = parser.parse_args()
    made = list(songs(args.data))
    x, y = np.concatenate([s[0][1:] for s in made]), np.concatenate([s[1][1:] for s in made])
    net = fit(x, y, args.steps, np.random.default_rng(1))
    scores = [
        f_measure(truth, times[best_boundaries(net.log_odds(evidence))])
        for evidence, _, times, truth in songs(args.held)
    ]
    print(f"{len(made)} beats; boundaries F at 3 s on {len(scores)} held out: {np.mean(scores):.3f}")
    save(net, args.out / "harmony_sections.npz")


if __name__ == "__main__":
    main()
