"""Fit what is weighed for pulses followed from attack to attack: the `played_*` arrays of grid.npz.

    python -m tests.training.played_fit WEIGHTS.npz CORPUS...

CORPUS folders are made by `played.py` (with --origin none among them). Adds `calibrate_played_beat` (is there
a beat?; what follows uses its five-fold cross-validation), `played_levels` (firmness of the scores, then a
weight for each ratio), `calibrate_played_tempo` and `calibrate_played_bar`. Run it after `grid_calibrate.py`.
The shipped ones: 600 excerpts from seed 1000 and 60 of origin none from seed 3000, two soundfonts; also
40 ambient beats of the generator and 40 signals of noise and drones, which `played.py` does not make: fitting
anew from corpora alone gives slightly other numbers. They were fitted with `LOOSE` at 0.36.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize

from analyzers.level.silence import find_lead_in
from analyzers.rhythm import meter
from analyzers.rhythm.grid import LOOSE
from analyzers.rhythm.meter_evidence import RATIOS, weigh
from analyzers.rhythm.played import track
from analyzers.rhythm.pulse import find_pulse
from analyzers.signal.features import Features
from tests.accuracy.grid import load_signal
from tests.training.grid_calibrate import NONE_WEIGHT, logistic, predict
from tests.training.grid_data import label

NEAR_S = 0.06  # bar lines of loose attacks


def example(features: Features, truth: dict[str, Any]) -> dict[str, Any] | None:
    """Evidence, hypotheses and labels of one excerpt; None when its pulse would not be followed."""
    pulse, first = find_pulse(features.onsets), find_lead_in(features).first_sound_s
    if pulse is None or first is None or pulse.evidence[1] + max(pulse.evidence[2], 0.0) > LOOSE:
        return None
    found = track(features.onsets)
    if found is None:
        return None
    h = weigh(features.onsets, found.times_s, first, (40.0, 240.0))
    none = truth["tempo_bpm"] is None
    wrong = np.zeros(len(h.ratio), bool)
    labels = (wrong, wrong, wrong) if none else label(h, found.times_s, truth, NEAR_S)
    evidence = meter.played_evidence(found.support, found.contrast, found.turning, pulse.evidence)
    return {"evidence": evidence, "none": none, "h": h, "score": meter.scores(h.evidence), "labels": labels}


def fit_levels(items: list[dict[str, Any]]) -> np.ndarray:
    """Firmness and log weights of the ratios (the first is 0) that make the accepted tempi likeliest."""
    usable = [d for d in items if d["labels"][2].any()]

    def loss(v: np.ndarray) -> float:
        weights = np.append(0.0, v[1:])
        total = 0.0
        for d in usable:
            score = np.exp(v[0]) * d["score"] + weights[d["h"].tempo]
            p = np.exp(score - score.max())
            total -= np.log(max(float(p[d["labels"][2]].sum() / p.sum()), 1e-6))
        return total / len(usable) + 0.01 * float((v[1:] ** 2).sum())

    v = minimize(loss, np.zeros(len(RATIOS)), method="Powell", options={"maxiter": 4}).x
    return np.array([np.exp(v[0]), 0.0, *v[1:]])


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("corpus", type=Path, nargs="+")
    a = parser.parse_args()
    items = []
    for folder in a.corpus:
        for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
            truth = json.loads(line)
            if truth["category"] != "sequence" and (truth["tempo_bpm"] is None or len(truth["beats"]) >= 12):
                items.append(example(Features(load_signal(folder / truth["file"])), truth))
    items = [d for d in items if d is not None]
    with np.load(a.weights) as z:
        arrays = {k: z[k] for k in z.files}
    x, y = np.array([d["evidence"] for d in items]), np.array([not d["none"] for d in items], float)
    fold, beat = np.arange(len(y)) % 5, np.empty(len(y))
    for k in range(5):
        beat[fold == k] = predict(logistic(x[fold != k], y[fold != k]), x[fold == k])
    print(f"found {np.mean(beat[y > 0] > 0.5):.2f} of {y.sum():.0f}, false {np.mean(beat[y == 0] > 0.5):.2f}")
    arrays |= {"calibrate_played_beat": logistic(x, y), "played_levels": fit_levels(items)}
    np.savez_compressed(a.weights, **arrays)
    meter.stored_weights = lambda _: arrays  # type: ignore[assignment]
    evidence: dict[str, list[np.ndarray]] = {"tempo": [], "bar": []}
    right: dict[str, list[bool]] = {"tempo": [], "bar": []}
    for d, likely in zip(items, beat, strict=True):
        h = d["h"]
        p, best = meter.posterior(h, played=True)
        evidence["tempo"].append(meter.tempo_evidence(h, p, best, float(likely)))
        evidence["bar"].append(meter.bar_evidence(h, p, best, evidence["tempo"][-1]))
        notated, other, tempo = d["labels"]
        right["tempo"].append(bool(tempo[h.tempo == h.tempo[best]].any()))
        good = (notated | other) & meter.agrees(h, best)
        right["bar"].append(bool(good[h.ratio * h.beats <= h.ratio[best] * h.beats[best] * 1.01].any()))
    w = np.where(y > 0, 1.0, NONE_WEIGHT)
    for name in evidence:
        c = logistic(np.array(evidence[name]), np.array(right[name], float), 1.0, w)
        arrays[f"calibrate_played_{name}"] = c
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
