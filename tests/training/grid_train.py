"""Train the network that weighs the evidence of hypotheses of beat and bar.

    python tests/training/grid_train.py EXAMPLES OUT.npz [--epochs 40] [--nets 3] [--add EARLIER.npz]

EXAMPLES is a folder made by `grid_data.py`. A small perceptron gives each hypothesis a score; the softmax
over all hypotheses of a song is their probability. The loss is the negative log probability of the right
hypotheses (another accepted reading counts a quarter: the notated one is preferred). numpy only.
The shipped weights: two runs on different seeds joined by --add, then 4 epochs of --start with ternary styles
--often, blended by 0.3 (better on 6/8 and waltzes, no worse on the rest).
Every tenth seed is held out: it is used for the printed figures and for calibration, never for fitting.
"""

from __future__ import annotations

import argparse
import itertools
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from analyzers.rhythm.meter_evidence import BANDS, SIZE, SLOTS

HIDDEN = (96, 32)
OTHER = 0.25
HITS = BANDS * 4 * SLOTS


def load(folder: Path) -> list[dict[str, np.ndarray]]:
    items = []
    for path in sorted(folder.glob("*.npz")):
        with np.load(path) as z:
            if "notated" in z.files and not z["none"]:
                items.append({k: z[k] for k in z.files})
    return items


class Net:
    """Perceptron with two hidden layers (ReLU), Adam."""

    def __init__(self, rng: np.random.Generator, mean: np.ndarray, scale: np.ndarray) -> None:
        sizes = (SIZE, *HIDDEN, 1)
        self.mean, self.scale = mean.astype(np.float32), scale.astype(np.float32)
        self.p: list[np.ndarray] = []
        for a, b in itertools.pairwise(sizes):
            self.p += [rng.normal(0, np.sqrt(2 / a), (a, b)).astype(np.float32), np.zeros(b, np.float32)]
        self.m = [np.zeros_like(p) for p in self.p]
        self.v = [np.zeros_like(p) for p in self.p]
        self.step = 0

    def forward(self, x: np.ndarray, keep: list[np.ndarray] | None = None) -> np.ndarray:
        h = (x - self.mean) / self.scale
        for k in range(0, len(self.p), 2):
            if keep is not None:
                keep.append(h)
            h = h @ self.p[k] + self.p[k + 1]
            if k < len(self.p) - 2:
                np.maximum(h, 0, out=h)
        return h[:, 0]

    def learn(self, keep: list[np.ndarray], gradient: np.ndarray, rate: float, decay: float) -> None:
        g = gradient[:, None].astype(np.float32)
        grads: list[np.ndarray] = []
        for k in range(len(self.p) - 2, -1, -2):
            grads = [keep[k // 2].T @ g, g.sum(axis=0), *grads]
            if k:
                g = (g @ self.p[k].T) * (keep[k // 2] > 0)
        self.step += 1
        for k, d in enumerate(grads):
            self.m[k] = 0.9 * self.m[k] + 0.1 * d
            self.v[k] = 0.999 * self.v[k] + 0.001 * d * d
            m, v = self.m[k] / (1 - 0.9**self.step), self.v[k] / (1 - 0.999**self.step)
            self.p[k] -= rate * (m / (np.sqrt(v) + 1e-8) + (decay * self.p[k] if k % 2 == 0 else 0))


def vary(rng: np.random.Generator, x: np.ndarray) -> np.ndarray:
    """The same song through other ears: bands louder or softer, a group of signs now and then missing."""
    x = x.copy()
    hits = x[:, :HITS].reshape(len(x), BANDS, 4 * SLOTS)
    hits *= rng.uniform(0.6, 1.4, (1, BANDS, 1)).astype(np.float32)
    hits *= rng.uniform(0.8, 1.2)
    if rng.random() < 0.1:
        hits[:, rng.integers(BANDS)] = 0
    groups = ((HITS, HITS + 32), (HITS + 32, HITS + 40), (HITS + 40, HITS + 56), (HITS + 56, HITS + 80))
    for a, b in groups:
        if rng.random() < 0.07:
            x[:, a:b] = 0
    x[:, :HITS] += rng.normal(0, 0.03, (len(x), HITS)).astype(np.float32)
    return x


def softmax_parts(score: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Softmax within each song of a batch; `starts` are the songs' first rows."""
    counts = np.diff(np.append(starts, len(score)))
    p = np.exp(score - np.repeat(np.maximum.reduceat(score, starts), counts))
    return p / np.repeat(np.add.reduceat(p, starts), counts)


def stored(path: Path) -> list[Net]:
    """The nets of a weights file, to go on with."""
    nets = []
    with np.load(path) as z:
        for n in range(sum(1 for k in z.files if k.endswith("_mean"))):
            net = Net(np.random.default_rng(0), z[f"net{n}_mean"], z[f"net{n}_scale"])
            net.p = [z[f"net{n}_{k}"].astype(np.float32) for k in range(len(net.p))]
            nets.append(net)
    return nets


def train(items: list[dict], seed: int, epochs: int, start: Net | None = None) -> Net:
    rng = np.random.default_rng(seed)
    sample = np.concatenate([i["evidence"][::7].astype(np.float32) for i in items[:600]])
    net = start or Net(rng, sample.mean(axis=0), sample.std(axis=0) + 0.05)
    top_rate = 3e-4 if start else 1.5e-3
    usable = [i for i in items if i["notated"].any()]
    batch, steps = 16, epochs * (len(usable) // 16)
    done = 0
    for epoch in range(epochs):
        order = rng.permutation(len(usable))
        losses = []
        for a in range(0, len(order) - batch + 1, batch):
            chosen = [usable[k] for k in order[a : a + batch]]
            x = np.concatenate([vary(rng, i["evidence"].astype(np.float32)) for i in chosen])
            worth = np.concatenate([i["notated"] + OTHER * i["other"] for i in chosen]).astype(np.float32)
            starts = np.cumsum([0] + [len(i["notated"]) for i in chosen[:-1]])
            keep: list[np.ndarray] = []
            p = softmax_parts(net.forward(x, keep), starts)
            counts = np.diff(np.append(starts, len(p)))
            good = np.repeat(np.add.reduceat(p * worth, starts), counts)
            gradient = p - p * worth / np.maximum(good, 1e-9)
            rate = top_rate * min(1.0, done / 200) * 0.5 * (1 + np.cos(np.pi * done / steps))
            net.learn(keep, gradient / batch, rate, 2e-2)
            losses.append(-np.log(np.maximum(good[starts], 1e-9)).mean())
            done += 1
        print(f"net {seed} epoch {epoch} loss {np.mean(losses):.4f}", flush=True)
    return net


def judge(items: list[dict], scores: list[np.ndarray]) -> str:
    """Shares of the held-out songs read right."""
    level, notated, bar = [], [], []
    for item, score in zip(items, scores, strict=True):
        p = softmax_parts(score, np.array([0]))
        tempo = np.bincount(item["tempo"], p, 9)
        best = int(np.argmax(tempo))
        mine = item["tempo"] == best
        level.append(item["tempo_ok"][mine].any())
        top = int(np.argmax(np.where(mine, p, -1)))
        notated.append(item["notated"][top])
        bar.append(item["notated"][top] or item["other"][top])
    return (
        f"n {len(items)} level {np.mean(level):.4f} bar {np.mean(bar):.4f} notated bar {np.mean(notated):.4f}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("examples", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--epochs", type=int, default=40)
    parser.add_argument("--nets", type=int, default=3)
    parser.add_argument("--start", type=Path, help="go on with the nets of these weights (--nets is ignored)")
    parser.add_argument("--blend", type=float, default=1.0, help="with --start: share of the new weights")
    parser.add_argument("--often", default="", help="styles that count three times, separated by commas")
    parser.add_argument("--add", type=Path, help="weights of an earlier run, on other seeds, to average with")
    a = parser.parse_args()
    items = load(a.examples)
    kept = [i for i in items if int(i["seed"]) % 10 != 0]
    held = [i for i in items if int(i["seed"]) % 10 == 0]
    often = [i for i in kept if any(w and w in str(i["style"]) for w in a.often.split(","))]
    kept += often * 2
    print(f"{len(kept)} to learn from, {len(held)} held out")
    begun: list[Net | None] = list(stored(a.start)) if a.start else [None] * a.nets
    n = len(begun)
    with ProcessPoolExecutor(min(n, os.cpu_count() or 1)) as pool:
        nets = list(pool.map(train, [kept] * n, range(n), [a.epochs] * n, begun))
    for net, old in zip(nets, stored(a.start) if a.start else [], strict=False):
        net.p = [a.blend * new + (1 - a.blend) * was for new, was in zip(net.p, old.p, strict=True)]
    for k, net in enumerate(nets):
        print(k, judge(held, [net.forward(i["evidence"].astype(np.float32)) for i in held]))
    scores = [np.mean([n.forward(i["evidence"].astype(np.float32)) for n in nets], axis=0) for i in held]
    print("all", judge(held, scores))
    for kind in sorted({str(i["kind"]) for i in held}):
        pick = [k for k, i in enumerate(held) if str(i["kind"]) == kind]
        print(kind, judge([held[k] for k in pick], [scores[k] for k in pick]))
    arrays: dict[str, np.ndarray] = {}
    if a.add:
        with np.load(a.add) as z:
            arrays = {k: z[k] for k in z.files if k.startswith("net")}
    start = len({k.split("_")[0] for k in arrays})
    for n, net in enumerate(nets, start):
        arrays |= {f"net{n}_{k}": p.astype(np.float16) for k, p in enumerate(net.p)}
        arrays |= {f"net{n}_mean": net.mean, f"net{n}_scale": net.scale}
    np.savez_compressed(a.out, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
