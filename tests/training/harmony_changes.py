"""Fit what `analyzers.harmony.key_change` knows of changes of key, on songs that are joined in known ways.

    python tests/training/harmony_changes.py m*.npz --held v*.npz [--out FOLDER]

The data are those of `harmony_data.py`. A song goes on in another key (its notes moved), goes on as it
is, or is followed by another song, in its own key or in another. Run after `harmony.py`: the model weighs
what the shipped key network says. Prints, for the held songs, changes found within a bar and false
ones an hour.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from equivariant_fit import save
from harmony import MODES, Row, load
from scipy.optimize import minimize

from analyzers.harmony.equivariant import Floats, load_net
from analyzers.harmony.key import judge
from analyzers.harmony.key_change import ChangeModel, change_evidence, find_changes, proposed, signature_fit
from analyzers.harmony.network_inputs import Segment, chord_inputs, metric_weight
from analyzers.harmony.spelling import home_of
from analyzers.harmony.voicing import QUALITIES

STEP_S = 0.5  # a beat, for figures an hour
SHIFTS = (1, 2, 3, 5, -2, -1, 4, -3, 6)
SHIFT_SHARES = (0.28, 0.27, 0.10, 0.10, 0.10, 0.05, 0.04, 0.03, 0.03)
LEAST_BEFORE, LEAST_AFTER = 8, 4  # bars


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """A song as the change finder sees it, and the step on which its key changes, if it does."""

    track: Segment
    change: int | None
    bar: int  # steps


def home(row: Row) -> int:
    return home_of(row.tonic, MODES[row.mode])


def heard(levels: Floats, steady: Floats, weight: Floats) -> Segment:
    each, none = load_net("chord").log_probabilities(*chord_inputs(levels, steady))
    return Segment(steady, np.exp(each), np.exp(none), weight)


def moved(levels: Floats, by: int) -> Floats:
    """Notes ``by`` semitones higher; those that leave the picture are lost."""
    out = np.roll(levels, by, axis=1)
    if by > 0:
        out[:, :by] = 0
    elif by < 0:
        out[:, by:] = 0
    return out


def join(a: Row, b: Row, shift: int, rng: np.random.Generator) -> Joined | None:
    """``a`` up to a bar line, then ``b`` (another song or the rest of ``a``), ``shift`` semitones above."""
    assert a.weight is not None
    assert b.weight is not None
    bars = np.flatnonzero(a.weight)
    groups = np.flatnonzero(a.weight >= 2)
    lines = groups if rng.random() < 0.8 else bars
    lines = lines[(lines >= bars[LEAST_BEFORE]) & (lines <= bars[-LEAST_AFTER])]
    if len(lines) == 0:
        return None
    cut = int(rng.choice(lines))
    start = cut if b is a else int(rng.choice(np.flatnonzero(b.weight)[: np.count_nonzero(b.weight) // 2]))
    by = (home(a) + shift - home(b) + 6) % 12 - 6
    level = float(a.levels.max() / max(float(b.levels.max()), 1e-6)) * (
        1 if b is a else rng.uniform(0.7, 1.3)
    )
    levels, steady = (
        np.concatenate((one[:cut], moved(two[start:], by) * np.float32(level)))
        for one, two in ((a.levels, b.levels), (a.steady, b.steady))
    )
    down = np.concatenate((a.weight[:cut], b.weight[start:])) > 0
    weight = metric_weight(down, int(np.argmax(down)))
    return Joined(heard(levels, steady, weight), cut if shift else None, int(np.median(np.diff(bars))))


def draw(rows: list[Row], count: int, rng: np.random.Generator) -> Iterator[Joined]:
    """Half of them change their key."""
    rows = [r for r in rows if r.tonic >= 0 and not r.changes and r.weight is not None
            and np.count_nonzero(r.weight) > LEAST_BEFORE + LEAST_AFTER]  # fmt: skip
    for _ in range(count):
        a = rows[rng.integers(len(rows))]
        fitting = [r for r in rows if r.per_bar == a.per_bar]
        b = a if rng.random() < 0.5 else fitting[rng.integers(len(fitting))]
        joined = join(a, b, int(rng.choice(SHIFTS, p=SHIFT_SHARES)) if rng.random() < 0.5 else 0, rng)
        if joined is not None:
            yield joined


def learn_table(rows: list[Row]) -> Floats:
    """Likelihood of each chord in C major's signature against any signature."""
    total = np.full((12, len(QUALITIES)), 1e-3)
    for row in rows:
        if row.tonic >= 0 and not row.changes:
            chords = np.exp(load_net("chord").log_probabilities(row.chroma, row.scalars)[0])
            total += np.roll(chords.mean(axis=0), -home(row), axis=0)
    return np.asarray(total / total.mean(axis=0), np.float32)


def learn_model(table: Floats, songs: list[Joined]) -> ChangeModel:
    """Logistic model on the evidence of every proposed change."""
    evidence, right = [], []
    for song in songs:
        assert song.track.weight is not None
        fit = signature_fit(song.track, table)
        stops = [0, *proposed(fit, song.track.weight), len(song.track)]
        for a, b, c in zip(stops, stops[1:], stops[2:], strict=False):
            sides = (judge(song.track.part(a, b)).signatures, judge(song.track.part(b, c)).signatures)
            evidence.append(change_evidence(fit, song.track.weight, (a, b, c), sides))
            right.append(song.change is not None and abs(b - song.change) <= song.bar)
    x = np.array(evidence)
    mean, scale = x.mean(axis=0), x.std(axis=0)
    x = np.column_stack(((x - mean) / scale, np.ones(len(x))))
    side = np.where(right, 1.0, -1.0)

    def loss(w: npt.NDArray[np.float64]) -> tuple[float, npt.NDArray[np.float64]]:
        margin = side * (x @ w)
        pull = -(x.T @ (side / (1 + np.exp(margin)))) / len(x)
        return float(np.logaddexp(0, -margin).mean() + 1e-2 * (w[:-1] ** 2).sum()), pull + 2e-2 * w * (
            np.arange(len(w)) < len(w) - 1
        )

    w = minimize(loss, np.zeros(x.shape[1]), jac=True).x
    print(f"{len(x)} proposed changes, {np.mean(right):.2f} right; slopes {np.round(w, 2)}")
    return ChangeModel(table, mean, scale, w[:-1], w[-1:])


def changes_of(track: Segment, model: ChangeModel) -> list[tuple[int, float]]:
    return find_changes(track, lambda start, stop: judge(track.part(start, stop)).signatures, model)


def report(model: ChangeModel, songs: list[Joined]) -> None:
    found = wanted = false = false_unchanged = 0
    sure, right = [], []
    for song in songs:
        given = changes_of(song.track, model)
        hits = [song.change is not None and abs(step - song.change) <= song.bar for step, _ in given]
        wanted += song.change is not None
        found += any(hits)
        false += hits.count(False)
        false_unchanged += len(hits) if song.change is None else 0
        sure += [p for _, p in given]
        right += hits
    hours = sum(len(s.track) for s in songs) * STEP_S / 3600
    still = sum(len(s.track) for s in songs if s.change is None) * STEP_S / 3600
    print(f"held out: {found / wanted:.3f} of {wanted} found within a bar", end=", ")
    print(
        f"{false / hours:.2f} false an hour in all, {false_unchanged / still:.2f} where nothing changes",
        end="; ",
    )
    print(f"mean probability {np.mean(sure):.3f}, right {np.mean(right):.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", nargs="+", type=Path)
    parser.add_argument("--held", nargs="+", type=Path, required=True)
    parser.add_argument("--songs", type=int, default=3000)
    parser.add_argument("--out", type=Path, default=Path("analyzers/weights"))
    args = parser.parse_args()
    rng = np.random.default_rng(1)
    rows = load(args.data)
    model = learn_model(learn_table(rows), list(draw(rows, args.songs, rng)))
    report(model, list(draw(load(args.held), 1500, rng)))
    save(model, args.out / "harmony_change.npz")


if __name__ == "__main__":
    main()
