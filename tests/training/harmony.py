"""Train the chord network and the key network on invented songs and write their weights.

    python tests/training/harmony_data.py d101.npz --songs 330 --seed 101          (and 102 ... 116)
    python tests/training/harmony_data.py m20000.npz --songs 90 --seed 20000 --demo
        (and 20100 ... 21100 by hundreds, 30000 ... 30990 and 40000 ... 40360 by nineties)
    python tests/training/corpus_soundfont.py s60000 --soundfont FONT... --count 60 --seed 60000 --kind song
        (and 60060 ... 60840; without --kind 65000 ... 65300)
    python tests/training/harmony_data.py s60000.npz --corpus s60000 --seed 60000  (and so on)
    python tests/training/harmony_data.py v100000.npz --songs 90 --seed 100000 --demo
        (and 100100 ... 100300; by soundfonts 60 songs from 180000 and 60 of all kinds from 181000)
    python tests/training/harmony.py d*.npz m*.npz s*.npz --held v*.npz [--only chord|key] [--out FOLDER]

Shipped: the chords from --steps 20000, then the keys from --steps 12000 on the same songs. On the held
songs the temperatures are set and the printed figures taken.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from analyzers.harmony.chords import CHANGE_IN_BAR, CHANGE_ON_BAR, EVIDENCE_WEIGHT, smooth
from analyzers.harmony.equivariant import EquivariantNet, Floats
from analyzers.harmony.network_inputs import Segment, chord_inputs, key_inputs, metric_weight
from tests.training.equivariant_fit import (
    Batches,
    as_net,
    best_temperature,
    fit,
    flat_log_probabilities,
    joined,
    save,
    start_params,
)
from tests.training.harmony_corpus import MODES
from tests.training.harmony_data import NAMES, UNKNOWN

PLAIN = {
    "major": "major",
    "mixolydian": "major",
    "minor": "minor",
    "dorian": "minor",
    "phrygian": "minor",
    "harmonic minor": "minor",
}


KEY_NETS = 3
Inputs = Callable[[Segment], tuple[Floats, Floats]]
Window = tuple[npt.NDArray[np.int64], Floats | None]  # which steps, and their place in the meter
SHORT = ("w1", "w2", "w3", "w0")  # stored in 16 bits


@dataclass(frozen=True, slots=True)
class Row:
    """One song as the models see it."""

    chroma: Floats
    scalars: Floats
    y: npt.NDArray[np.int64]
    levels: Floats
    steady: Floats
    tonic: int
    mode: int
    per_bar: int
    relative_too: bool
    changes: bool
    weight: Floats | None  # place in the meter; None where it was not kept


def load(paths: list[Path]) -> list[Row]:
    rows = []
    for path in paths:
        d = np.load(path)
        at = 0
        for i, n in enumerate(d["lengths"]):
            per_beat = (d[k][at : at + n] for k in ("x", "y", "down"))
            rows.append(row_of(*per_beat, d["key"][i], d["about"][i]))
            at += n
    return rows


def row_of(x: np.ndarray, y: np.ndarray, down: np.ndarray, key: np.ndarray, about: np.ndarray) -> Row:
    """A song from what `harmony_data.describe` keeps of it."""
    x = x.astype(np.float32) / 255
    tonic, mode = (int(v) for v in key)
    per_bar, relative, change = (float(v) for v in about)
    known = tonic, mode, int(per_bar), bool(relative), change >= 0
    weight = metric_weight(down, int(np.argmax(down))) if down.any() else None
    return Row(*chord_inputs(x[:, 0], x[:, 1]), y.astype(np.int64), x[:, 0], x[:, 1], *known, weight)


def chord_batches(rows: list[Row], size: int) -> Batches:
    chroma = np.concatenate([r.chroma for r in rows])
    scalars = np.concatenate([r.scalars for r in rows])
    y = np.concatenate([r.y for r in rows])
    known = np.flatnonzero(y != UNKNOWN)

    def supply(rng: np.random.Generator) -> Iterator[tuple[Floats, Floats, npt.NDArray[np.int64]]]:
        while True:
            pick = rng.choice(known, size)
            yield chroma[pick], scalars[pick], y[pick]

    return supply


def train_chord(rows: list[Row], held: list[Row], steps: int, rng: np.random.Generator) -> EquivariantNet:
    channels = rows[0].chroma.shape[1]
    params = start_params(channels * 12 + rows[0].scalars.shape[1], (256, 128), len(NAMES), rng)
    params = fit(params, chord_batches(rows, 128), steps, rng)
    chroma, scalars, y = next(chord_batches(held, 20000)(np.random.default_rng(5)))
    logp = flat_log_probabilities(as_net(params), chroma, scalars)
    temperature = best_temperature(logp, y)
    guess = logp.argmax(axis=1)
    print(f"chords, held out, single steps: exact {np.mean(guess == y):.3f}", end=", ")
    print(f"root and third {alike(guess, y).mean():.3f}, temperature {temperature:.2f}")
    net = as_net(params, temperature)
    report_chord_confidence(net, held)
    return net


def alike(one: npt.NDArray[np.int64], two: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Which chords have the same root and the same kind of third."""
    minor = np.array([n in ("min", "min7", "dim") for n in NAMES] * 12 + [False])
    root = np.append(np.repeat(np.arange(12), len(NAMES)), -1)
    return np.asarray((root[one] == root[two]) & (minor[one] == minor[two]))


def report_chord_confidence(net: EquivariantNet, rows: list[Row]) -> None:
    """Logistic fit of `chords.calibrated`: from the chain's probability to that of root and third."""
    odds, right = [], []
    for row in rows:
        if row.weight is None:
            continue
        each, none = net.log_probabilities(row.chroma, row.scalars)
        evidence = np.column_stack((each.reshape(len(each), -1), none)).astype(np.float64)
        change = np.where(row.weight > 0, CHANGE_ON_BAR, CHANGE_IN_BAR)
        path, belief = smooth(evidence * EVIDENCE_WEIGHT, change)
        known = row.y != UNKNOWN
        belief = belief[known].clip(1e-4, 1 - 1e-4)
        odds.append(np.log(belief / (1 - belief)))
        right.append(alike(path[known], row.y[known]))
    x, side = np.concatenate(odds), np.where(np.concatenate(right), 1.0, -1.0)
    slope, offset = minimize(lambda w: np.logaddexp(0, -side * (w[0] * x + w[1])).mean(), [0.3, 0.0]).x
    print(
        f"smoothed: root and third {np.mean(side > 0):.3f}; confidence {slope:.3f} * log odds + {offset:.3f}"
    )


def key_samples(
    rows: list[Row],
    chord_net: EquivariantNet,
    windows: int,
    rng: np.random.Generator,
    *,
    spoil: bool,
    close: float,
    inputs: Inputs = key_inputs,
) -> tuple[Floats, Floats, npt.NDArray[np.int64], list[Window]]:
    """Key inputs of each whole song and of ``windows`` segments of it, with their class and their steps.

    ``spoil``: the place in the meter is sometimes missing or counted from the wrong beat.
    ``close``: share of the segments that are made to close on the tonic chord, as most songs do (common
    practice) and loops that are cut anywhere do not; some of them to open on it too.
    ``inputs``: `key_inputs` or `record_inputs`.
    """
    chroma, scalars, target, steps = [], [], [], []
    for row in rows:
        if row.changes:
            continue
        n, home = len(row.y), home_runs(row)
        for k in range(windows + 1):
            length = n if k == 0 else int(rng.integers(min(n, 16), n + 1))
            at = int(rng.integers(0, n - length + 1))
            pick = np.arange(at, at + length)
            if home and rng.random() < close:
                pick = closed(pick, home, row.per_bar, rng)
            weight = None if row.weight is None or (spoil and rng.random() < 0.2) else row.weight[pick]
            if weight is not None and spoil and rng.random() < 0.15:
                weight = np.roll(weight, int(rng.integers(1, 16)))  # a grid that counts from the wrong beat
            each, none = chord_net.log_probabilities(*chord_inputs(row.levels[pick], row.steady[pick]))
            a, b = inputs(Segment(row.steady[pick], np.exp(each), np.exp(none), weight))
            chroma.append(a)
            scalars.append(b)
            steps.append((pick, weight))
            target.append(12 * len(MODES) if row.tonic < 0 else row.tonic * len(MODES) + row.mode)
    return np.concatenate(chroma), np.concatenate(scalars), np.array(target), steps


def home_runs(row: Row) -> list[npt.NDArray[np.int64]]:
    """Steps of each segment on the tonic chord, two steps or longer; none where two keys share the loop."""
    if row.tonic < 0 or row.relative_too:
        return []
    names = ("maj", "maj7", "7") if PLAIN[MODES[row.mode]] == "major" else ("min", "min7")
    at = np.flatnonzero(np.isin(row.y, [row.tonic * len(NAMES) + NAMES.index(n) for n in names]))
    return [run for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run) >= 2]


def closed(
    pick: npt.NDArray[np.int64], home: list[npt.NDArray[np.int64]], per_bar: int, rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """These steps and one or two bars on the tonic chord after them, now and then a bar before them."""

    def bars(count: int) -> npt.NDArray[np.int64]:
        return np.resize(home[rng.integers(len(home))], count * per_bar)

    opening = [bars(1)] if rng.random() < 0.3 else []
    return np.concatenate((*opening, pick, bars(int(rng.choice([1, 1, 2])))))


def train_key(
    rows: list[Row], held: list[Row], chord_net: EquivariantNet, steps: int, rng: np.random.Generator
) -> EquivariantNet:
    """Several networks side by side, each trained on segments of its own: their mean errs less."""
    nets = []
    for _ in range(KEY_NETS):
        chroma, scalars, target, _ = key_samples(rows, chord_net, 4, rng, spoil=True, close=0.6)
        params = start_params(chroma.shape[1] * 12 + scalars.shape[1], (96, 48), len(MODES), rng)
        batches = partial(key_batches, chroma, scalars, target)
        nets.append(as_net(fit(params, batches, steps, rng, drop=0.4, decay=0.05)))
    net = joined(nets)
    chroma, scalars, target, _ = key_samples(held, chord_net, 1, rng, spoil=False, close=0.5)
    temperature = best_temperature(flat_log_probabilities(net, chroma, scalars), target)
    net = even_modes(replace(net, temperature=np.array([temperature], np.float32)), rows)
    report_key(flat_log_probabilities(net, chroma, scalars), target)
    print(f"key temperature {temperature:.2f}")
    return net


def even_modes(net: EquivariantNet, rows: list[Row]) -> EquivariantNet:
    """Neither major nor minor keys are likelier beforehand, whatever their shares in the songs trained on.

    Saerens, Latinne and Decaestecker, Neural Computation 14 (2002): adjusting to new priors.
    """
    minor = np.array([PLAIN[m] == "minor" for m in MODES])
    share = float(np.mean([minor[r.mode] for r in rows if r.tonic >= 0 and not r.changes]))
    print(f"minor keys: {share:.3f} of the songs")
    shift = np.where(minor, np.log(0.5 / share), np.log(0.5 / (1 - share)))
    return replace(net, b3=(net.b3 + net.temperature * shift).astype(np.float32))


def key_batches(
    chroma: Floats, scalars: Floats, target: npt.NDArray[np.int64], rng: np.random.Generator
) -> Iterator[tuple[Floats, Floats, npt.NDArray[np.int64]]]:
    while True:
        pick = rng.integers(0, len(target), 128)
        yield chroma[pick], scalars[pick], target[pick]


def folded(logp: Floats) -> Floats:
    """Probabilities of 24 keys and none from those of 72 scales and none."""
    p = np.exp(logp[:, :-1]).reshape(len(logp), 12, len(MODES))
    major = p[:, :, [MODES.index(m) for m in MODES if PLAIN[m] == "major"]].sum(axis=2)
    both = np.stack((major, p.sum(axis=2) - major), axis=2).reshape(len(logp), 24)
    return np.concatenate((both, np.exp(logp[:, -1:])), axis=1)


def report_key(logp: Floats, target: npt.NDArray[np.int64]) -> None:
    p = folded(logp)
    plain = np.array([PLAIN[m] == "minor" for m in MODES])
    truth = np.where(target == 72, 24, target // 6 * 2 + plain[target % 6])
    guess, sure = p.argmax(axis=1), p.max(axis=1)
    right = guess == truth
    keyed = truth < 24
    print(f"key, held out: {right[keyed].mean():.3f} of {keyed.sum()} with a key", end=", ")
    print(f"{right[~keyed].mean():.3f} of {(~keyed).sum()} without", end="; ")
    print(f"calibration error {calibration_error(sure, right):.3f}")


def calibration_error(sure: Floats, right: npt.NDArray[np.bool_], bins: int = 10) -> float:
    """Expected calibration error in equal-width bins (Guo et al., ICML 2017)."""
    cell = np.minimum((sure * bins).astype(int), bins - 1)
    return float(
        sum(abs(sure[cell == b].mean() - right[cell == b].mean()) * (cell == b).mean() for b in set(cell))
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", nargs="+", type=Path)
    parser.add_argument("--held", nargs="+", type=Path, required=True)
    parser.add_argument("--only", choices=("chord", "key"))
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--out", type=Path, default=Path("analyzers/weights"))
    args = parser.parse_args()
    rng = np.random.default_rng(1)
    rows = load(args.data)
    held = load(args.held)
    if args.only != "key":
        save(train_chord(rows, held, args.steps, rng), args.out / "harmony_chord.npz", SHORT)
    if args.only != "chord":
        with np.load(args.out / "harmony_chord.npz") as stored:
            chord_net = EquivariantNet(**{k: stored[k].astype(np.float32) for k in stored.files})
        save(train_key(rows, held, chord_net, args.steps, rng), args.out / "harmony_key.npz", SHORT)


if __name__ == "__main__":
    main()
