"""Calibrate the grid's confidences: logistic regressions on beats that the network has not seen.

    python tests/training/grid_calibrate.py EXAMPLES WEIGHTS.npz

Adds to WEIGHTS (made by `grid_train.py`): `calibrate_tempo` (is the beat rate an accepted one?) and
`calibrate_bar` (is the bar line a true one?) from the held-out seeds (every tenth), and `calibrate_beat`
(is there a beat?) and `calibrate_steady` (is the tempo constant?) from all seeds, whose signs are not fitted
by the network. Prints the expected calibration error by five-fold cross-validation.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from analyzers import meter
from analyzers.meter_evidence import RATIOS, Hypotheses


def logistic(
    x: np.ndarray, y: np.ndarray, ridge: float = 1.0, weight: np.ndarray | None = None
) -> np.ndarray:
    """Coefficients of a logistic regression, the constant last (Newton's method, ridge on scaled signs)."""
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


def calibration_error(p: np.ndarray, y: np.ndarray) -> float:
    """Expected calibration error over ten equal bins (Naeini et al., AAAI 2015)."""
    bins = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs(p[bins == b].sum() - y[bins == b].sum()) for b in range(10)) / len(p))


def fit(name: str, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    fold = np.arange(len(y)) % 5
    p = np.empty(len(y))
    for k in range(5):
        p[fold == k] = predict(logistic(x[fold != k], y[fold != k]), x[fold == k])
    wrong = np.mean((p > 0.5) != y)
    print(
        f"{name:<7} n {len(y)} right {y.mean():.3f} mean p {p.mean():.3f} ece {calibration_error(p, y):.3f} miss {wrong:.4f}"
    )
    return logistic(x, y)


def hypotheses(z: dict[str, np.ndarray]) -> Hypotheses:
    evidence = z["evidence"].astype(np.float32)
    return Hypotheses(z["ratio"], z["offset"], z["beats"], z["tempo"], z["phase"], evidence)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("examples", type=Path)
    parser.add_argument("weights", type=Path)
    a = parser.parse_args()
    with np.load(a.weights) as z:
        arrays = {k: z[k] for k in z.files if not k.startswith("calibrate")}
    meter.weights = lambda: {k: v.astype(np.float32) for k, v in arrays.items()}  # type: ignore[assignment]
    signs, beat, steady, tempo_x, tempo_y, bar_x, bar_y = [], [], [], [], [], [], []
    for path in sorted(a.examples.glob("*.npz")):
        with np.load(path) as loaded:
            z = {k: loaded[k] for k in loaded.files}
        if not z.get("found", True):
            continue
        if "unsigned" not in z:
            signs.append(meter.pulse_signs(tuple(z["signs"])))
            beat.append(not z.get("none", False))
            steady.append(bool(z["constant"]))
        if "notated" not in z or int(z["seed"]) % 10:
            continue
        h = hypotheses(z)
        score = meter.scores(h.evidence)
        p = np.exp(score - score.max())
        p /= p.sum()
        tempo = np.bincount(h.tempo, p, len(RATIOS))
        best_tempo = int(np.argmax(tempo))
        best = int(np.argmax(np.where(h.tempo == best_tempo, p, -1)))
        x = meter.tempo_signs(tempo, best_tempo)
        tempo_x.append(x)
        tempo_y.append(bool(z["tempo_ok"][h.tempo == best_tempo].any()))
        bar_x.append(meter.bar_signs(p, meter.agrees(h, best), x))
        bar_y.append(bool(z["notated"][best] or z["other"][best]))
    x, b, s = np.array(signs), np.array(beat, float), np.array(steady, float)
    arrays["calibrate_beat"] = fit("beat", x, b)
    arrays["calibrate_steady"] = fit("steady", x[b > 0], s[b > 0])
    arrays["calibrate_tempo"] = fit("tempo", np.array(tempo_x), np.array(tempo_y, float))
    arrays["calibrate_bar"] = fit("bar", np.array(bar_x), np.array(bar_y, float))
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
