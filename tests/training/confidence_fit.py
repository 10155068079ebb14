"""Fit the grid's confidences on what networks think of origins that they have not seen.

    python -m tests.training.confidence_fit WEIGHTS.npz --thoughts FILE... --nets FILE[:0,2]...

Thoughts and nets are made by `learn.py`; several runs on the same examples are averaged, and nets of other
runs may be added (`:0,2`: these of a file). WEIGHTS (the shipped file) keeps what
`grid_calibrate.py` and `played_fit.py` fitted (beat, steady, played beat), gets the networks and
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
NONE = 0.3  # weight of music without a beat, all other being 1, in the fit of whether there is one
Rows = dict[str, np.ndarray]


def right(h: Hypotheses, best: int, labels: Rows) -> tuple[bool, bool]:
    """Whether the tempo of a way to count is an accepted one, and its bar lines are true ones.

    labels : `notated`, `other`, `tempo_ok` of each way (`grid_data.label`)
    """
    good = (labels["notated"] | labels["other"]) & meter.agrees(h, best)
    own = h.ratio * h.beats <= h.ratio[best] * h.beats[best] * 1.01
    return bool(labels["tempo_ok"][h.tempo == h.tempo[best]].any()), bool(good[own].any())


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
        labels = {k: z[k][a:b] for k in ("notated", "other", "tempo_ok")}
        tempo_right, bar_right = right(h, best, labels)
        found["tempo_x"].append(tempo)
        found["bar_x"].append(meter.bar_evidence(h, p, best, tempo))
        found["tempo"].append(tempo_right)
        found["bar"].append(bar_right)
    return {k: np.array(v, float) for k, v in found.items()}


def weights_of(z: Rows, mask: np.ndarray, none_share: float | None = None) -> np.ndarray:
    """Each origin counts alike, music without a beat among them, unless that has a share of its own."""
    w = np.zeros(len(mask))
    for origin in set(z["origin"][mask]):
        for seen in (True, False):
            mine = mask & (z["origin"] == origin) & ((z["view"] == "") == seen)
            if mine.any():
                w[mine] = min(1.0, 150 / mine.sum())
    none = mask & (z["origin"] == "none")
    if none_share is not None and none.any():
        w[none] *= none_share * w[mask & ~none].sum() / w[none].sum()
    return w[mask]


def fit(name: str, x: np.ndarray, y: np.ndarray, z: Rows, mask: np.ndarray) -> np.ndarray:
    """Coefficients on all; printed: each origin judged by a fit on the others."""
    none = NONE if name == "beat" else None
    for origin in sorted(set(z["origin"][mask])):
        rest = mask & (z["origin"] != origin)
        mine = mask & (z["origin"] == origin) & ((z["view"] != "") | (origin == "none"))
        if not mine.any() or not rest.any():
            continue
        p = predict(logistic(x[rest], y[rest], 1.0, weights_of(z, rest, none)), x[mine])
        sure = p >= SURE
        share = f"{y[mine][sure].mean():.3f}" if sure.any() else "-"
        print(f"{name:<13}{origin:<11}{mine.sum():>5} right {y[mine].mean():.3f} mean {p.mean():.3f}", end="")
        print(f"   >= {SURE}: {sure.sum():>4} right {share}")
    return logistic(x[mask], y[mask], 1.0, weights_of(z, mask, none))


def averaged(paths: list[Path]) -> Rows:
    """The thoughts of several runs: on the same examples the mean probability of each hypothesis, on others
    one after the other."""
    every: dict[tuple[bytes, ...], list[Rows]] = {}
    for path in paths:
        with np.load(path) as f:
            z = {k: f[k] for k in f.files}
        examples = tuple(z[k].tobytes() for k in ("seed", "origin", "view", "length"))
        every.setdefault(examples, []).append(z)
    runs = []
    for same in every.values():
        mean = np.mean([np.exp(z["log_p"].astype(float)) for z in same], axis=0)
        runs.append(same[0] | {"log_p": np.log(mean)})
    return {k: np.concatenate([z[k] for z in runs]) for k in runs[0]}


def in_steps(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A layer in whole steps, as large ones are stored, and the step of each column."""
    step = np.abs(matrix).max(axis=0) / 127 + 1e-12
    return np.round(matrix / step).astype(np.int8), step


def opened(name: str, ending: str) -> tuple[Rows, list[int]]:
    """Arrays of FILE, and which networks of it: those of `FILE:0,2`, or all that have a part of this name."""
    path, _, chosen = name.partition(":")
    with np.load(path) as f:
        arrays = {k: f[k] for k in f.files}
    every = range(sum(k.endswith(f"_{ending}") for k in arrays))
    return arrays, list(map(int, chosen.split(","))) if chosen else list(every)


def parts_of(arrays: Rows, net: int) -> Rows:
    """The layers of a network by their names in it."""
    own = f"net{net}_"
    return {k.removeprefix(own): v for k, v in arrays.items() if k.startswith(own)}


def together(paths: list[str]) -> Rows:
    """The networks of each file (`FILE:0,2`: these of it), numbered on, the large layer in whole steps. One
    may be the shipped file; networks that weighed each hypothesis alone get zeros for all beside it."""
    out: Rows = {}
    count = 0
    for arrays, nets in (opened(path, "mean") for path in paths):
        for net in nets:
            parts = parts_of(arrays, net)
            first = parts["0"].astype(np.float32) * parts.get("step", np.float32(1.0))
            parts["0"], parts["step"] = in_steps(first)
            lacking = 3 * first.shape[1] - len(parts["2"])
            parts["2"] = np.pad(parts["2"], ((0, lacking), (0, 0)))
            out |= {f"net{count}_{part}": value for part, value in parts.items()}
            count += 1
    return out


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("--thoughts", type=Path, nargs="+", required=True)
    parser.add_argument("--nets", nargs="+", required=True, help="FILE, or FILE:0,2 for these of it")
    a = parser.parse_args()
    z = averaged(a.thoughts)
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
    with np.load(a.weights) as f:
        arrays = {k: f[k] for k in kept} | together(a.nets) | fitted
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
