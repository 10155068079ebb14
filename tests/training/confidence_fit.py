"""Fit the grid's confidences on what networks think of origins that they have not seen.

    python -m tests.training.confidence_fit THOUGHTS.npz NETS.npz WEIGHTS.npz

THOUGHTS and NETS are made by `learn.py`. WEIGHTS (the shipped file) keeps its `calibrate_beat`,
`calibrate_steady` and `calibrate_played_beat` (`grid_calibrate.py`, `played_fit.py`), gets the networks and
`calibrate_pulse` (is there a beat?), `calibrate_tempo` (is the beat rate an accepted one?), `calibrate_bar`
(is the bar line a true one?), the latter two also for pulses that were followed from attack to attack. Each
origin counts alike, half for what was seen of it and half for what was not. Prints for every origin, left out
of the networks and of this fit, the share that is right of the answers given with .8 or more.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

from analyzers.rhythm import meter
from analyzers.rhythm.meter_evidence import Hypotheses
from tests.training.grid_calibrate import logistic, predict

SURE = 0.8
Rows = dict[str, np.ndarray]


def rows_of(z: Rows) -> Rows:
    """Evidence of tempo and bar line of each song, and whether they were right."""
    ends = np.cumsum(z["length"])
    found: dict[str, list[Any]] = {k: [] for k in ("tempo_x", "bar_x", "tempo", "bar")}
    for k, (a, b) in enumerate(zip(ends - z["length"], ends, strict=True)):
        p = np.exp(z["log_p"][a:b].astype(float))
        count = z["beats"][a:b].astype(np.int64), z["tempo"][a:b].astype(np.int64)
        ratio = np.array(meter.RATIOS)[count[1]]
        h = Hypotheses(
            ratio, z["offset"][a:b].astype(float), *count, count[0] * 0, np.zeros((0, 0), np.float32)
        )
        best = meter.best_of(h, p)
        if z["played"][k]:
            beat = meter.calibrated("played_beat", z["played_evidence"][k])
        else:
            beat, _ = meter.pulse_verdict(tuple(z["pulse_evidence"][k]))
        tempo = meter.tempo_evidence(h, p, best, beat)
        good = (z["notated"][a:b] | z["other"][a:b]) & meter.agrees(h, best)
        found["tempo_x"].append(tempo)
        found["bar_x"].append(meter.bar_evidence(h, p, best, tempo))
        found["tempo"].append(z["tempo_ok"][a:b][h.tempo == h.tempo[best]].any())
        found["bar"].append(good[h.ratio * h.beats <= h.ratio[best] * h.beats[best] * 1.01].any())
    return {k: np.array(v, float) for k, v in found.items()}


def weights_of(z: Rows, mask: np.ndarray) -> np.ndarray:
    """Each origin counts alike, music without a beat among them."""
    w = np.zeros(len(mask))
    for origin in set(z["origin"][mask]):
        for seen in (True, False):
            mine = mask & (z["origin"] == origin) & ((z["view"] == "") == seen)
            if mine.any():
                w[mine] = min(1.0, 150 / mine.sum())
    return w[mask]


def fit(name: str, x: np.ndarray, y: np.ndarray, z: Rows, mask: np.ndarray) -> np.ndarray:
    """Coefficients on all; printed: each origin judged by a fit on the others."""
    for origin in sorted(set(z["origin"][mask])):
        rest = mask & (z["origin"] != origin)
        mine = mask & (z["origin"] == origin) & ((z["view"] != "") | (origin == "none"))
        if not mine.any() or not rest.any():
            continue
        p = predict(logistic(x[rest], y[rest], 1.0, weights_of(z, rest)), x[mine])
        sure = p >= SURE
        share = f"{y[mine][sure].mean():.3f}" if sure.any() else "-"
        print(f"{name:<13}{origin:<11}{mine.sum():>5} right {y[mine].mean():.3f} mean {p.mean():.3f}", end="")
        print(f"   >= {SURE}: {sure.sum():>4} right {share}")
    return logistic(x[mask], y[mask], 1.0, weights_of(z, mask))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("thoughts", type=Path)
    parser.add_argument("nets", type=Path)
    parser.add_argument("weights", type=Path)
    a = parser.parse_args()
    with np.load(a.thoughts) as f:
        z = {k: f[k] for k in f.files}
    rows, beat, played = rows_of(z), ~z["none"], z["played"]
    every = np.ones(len(beat), bool)
    fitted = {
        "calibrate_pulse": fit("beat", rows["tempo_x"], beat.astype(float), z, every & ~played),
        "calibrate_tempo": fit("tempo", rows["tempo_x"], rows["tempo"], z, ~played),
        "calibrate_bar": fit("bar", rows["bar_x"], rows["bar"], z, ~played),
        "calibrate_played_tempo": fit("played tempo", rows["tempo_x"], rows["tempo"], z, played),
        "calibrate_played_bar": fit("played bar", rows["bar_x"], rows["bar"], z, played),
    }
    kept = ("calibrate_beat", "calibrate_steady", "calibrate_played_beat")
    with np.load(a.weights) as f, np.load(a.nets) as n:
        arrays = {k: f[k] for k in kept} | {k: n[k] for k in n.files} | fitted
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
