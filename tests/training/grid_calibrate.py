"""What the pulse alone tells: is there a beat, and is the tempo constant? Logistic regressions.

    python -m tests.training.grid_calibrate EXAMPLES WEIGHTS.npz

EXAMPLES is made by `grid_data.py`. Writes `calibrate_beat` and `calibrate_steady` into WEIGHTS and prints the
expected calibration error by five-fold cross-validation. The other confidences: `confidence_fit.py`.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from analyzers.rhythm import meter


def logistic(
    x: np.ndarray, y: np.ndarray, ridge: float = 1.0, weight: np.ndarray | None = None
) -> np.ndarray:
    """Coefficients of a logistic regression, the constant last (Newton's method, ridge on scaled columns)."""
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-6
    z = np.column_stack([(x - mean) / scale, np.ones(len(x))])
    w = np.ones(len(x)) if weight is None else weight
    c = np.zeros(z.shape[1])
    penalty = np.full(len(c), ridge)
    penalty[-1] = 1e-3
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(z @ c, -30, 30)))
        hessian = (z * (w * p * (1 - p))[:, None]).T @ z + np.diag(penalty)
        c = c + np.linalg.solve(hessian, z.T @ (w * (y - p)) - penalty * c)
    out = np.append(c[:-1] / scale, 0.0)
    out[-1] = c[-1] - (c[:-1] / scale * mean).sum()
    return out


def predict(c: np.ndarray, x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(x @ c[:-1] + c[-1], -30, 30)))


def calibration_error(p: np.ndarray, y: np.ndarray, w: np.ndarray) -> float:
    """Expected calibration error over ten equal bins (Naeini et al., AAAI 2015), weighted."""
    bins = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs((w * (p - y))[bins == b].sum()) for b in range(10)) / w.sum())


def fit(name: str, x: np.ndarray, y: np.ndarray, weight: np.ndarray | None = None) -> np.ndarray:
    w = np.ones(len(y)) if weight is None else weight
    fold = np.arange(len(y)) % 5
    p = np.empty(len(y))
    for k in range(5):
        p[fold == k] = predict(logistic(x[fold != k], y[fold != k], 1.0, w[fold != k]), x[fold == k])
    wrong = np.mean((p > 0.5) != y)
    print(
        f"{name:<7} n {len(y)} right {y.mean():.3f} mean p {p.mean():.3f}"
        f" ece {calibration_error(p, y, w):.3f}"
        f" miss {wrong:.4f}"
    )
    return logistic(x, y, 1.0, w)


def _read(path: Path) -> dict[str, np.ndarray]:
    with np.load(path) as z:
        return {k: z[k] for k in z.files}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("examples", type=Path)
    parser.add_argument("weights", type=Path)
    a = parser.parse_args()
    with np.load(a.weights) as z:
        arrays = {k: z[k] for k in z.files}
    first, beat, steady = [], [], []
    for z in map(_read, sorted(a.examples.glob("*.npz"))):
        if "pulse_evidence" in z:
            first.append(meter.pulse_evidence(tuple(z["pulse_evidence"])))
            beat.append(not z["none"])
            steady.append(bool(z["constant"]))
    x, b, s = np.array(first), np.array(beat, float), np.array(steady, float)
    arrays["calibrate_beat"] = fit("beat", x, b)
    arrays["calibrate_steady"] = fit("steady", x[b > 0], s[b > 0])
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
