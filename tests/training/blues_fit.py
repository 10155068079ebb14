"""The logistic model of `analyzers/harmony/blues.py`: how sure a form that fits is of being a blues.

    python -m tests.training.blues_fit [--count 2500] [--seed 5]

Chord sequences are drawn (a fifth of them blues; loops of popular songs, two sections of them, songs of eight
to sixteen bars on three or four chords) and blurred as the chord network hears them: another quality, a
neighbour, nothing. No sound is made. Prints the model, and for pieces it was not fitted on how often what
it says with .8 or more is right.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from analyzers.harmony.blues import best_fit
from analyzers.harmony.chords import NAMES
from tests.training.progressions import LOOPS

Rng = np.random.Generator
Bar = tuple[int, str]  # steps above the tonic, quality
BLUES_SHARE = 0.2
LEAST_WEIGHTS = 0.02  # of the squared slopes, against a fit that is too sure
NONE = 12 * len(NAMES)


def blues_bars(rng: Rng) -> tuple[list[Bar], bool]:
    """A chorus with its usual variants, and whether it is in minor."""
    minor, plain = rng.random() < 0.25, rng.random() < 0.15
    home = (0, "min7" if minor else "maj" if plain else "7")
    other, five = (5, "min7" if minor else "maj" if plain else "7"), (7, "7")
    if not minor and rng.random() < 0.12:
        return [home, five, other, other, home, five, home, five], False
    second, tenth = (other if rng.random() < 0.5 else home), (other if rng.random() < 0.7 else five)
    last = five if rng.random() < 0.6 else home
    bars = [home, second, home, home, other, other, home, home, five, tenth, home, last]
    if minor and rng.random() < 0.5:
        bars[8:10] = [(8, "7"), (7, "7")]
    elif not minor and rng.random() < 0.12:
        bars[7:10] = [(9, "7"), (2, "min7"), (7, "7")]
    return bars, minor


def song_bars(rng: Rng) -> list[Bar]:
    """What is no blues, most of it made of a blues' own chords."""
    mode = str(rng.choice(list(LOOPS)))
    minor = mode in ("minor", "dorian")
    sevenths = float(rng.choice([0.0, 0.0, 0.3, 0.9]))

    def chord(degree: int) -> Bar:
        small = degree in (2, 4, 9) or (minor and degree in (0, 5))
        seventh = rng.random() < sevenths
        return degree, ("min7" if seventh else "min") if small else ("7" if seventh else "maj")

    draw = rng.random()
    loops = LOOPS[mode]
    if draw < 0.15:
        return [chord(d) for d in loops[rng.integers(len(loops))]]
    if draw < 0.5:
        sections = [loops[rng.integers(len(loops))] * int(rng.choice([1, 1, 2])) for _ in range(3)]
        return [chord(d) for section in sections for d in section]
    length = int(rng.choice([8, 12, 12, 16]))
    degrees = [0, 5, 7] if draw < 0.8 else [0, 5, 7, 8 if minor else 9]
    held = int(rng.choice([1, 2, 2, 4]))
    walk = [
        int(rng.choice(degrees, p=None if k else [1.0] + [0.0] * (len(degrees) - 1))) for k in range(length)
    ]
    return [chord(walk[k // held]) for k in range(length)]


def heard(rng: Rng, bars: list[Bar], beats: int) -> np.ndarray:
    """Log probabilities of the chords as the network gives them [shape=(beats of the piece, chords + 1)]."""
    count, tonic = int(np.exp(rng.uniform(np.log(10), np.log(44)))), int(rng.integers(12))
    start = 0 if rng.random() < 0.5 else int(rng.integers(len(bars)))
    before = [bars[0]] * int(rng.choice([0, 0, 0, 4]))
    played = [*before, *(bars[(start + k) % len(bars)] for k in range(count - len(before)))]
    clear, sevenths = float(rng.uniform(0.4, 1.0)), float(rng.uniform(0.3, 1.0))
    p = rng.dirichlet(np.full(NONE + 1, 0.02), size=count * beats)
    for k, (degree, quality) in enumerate(np.repeat(np.array(played, object), beats, axis=0)):
        root = (tonic + degree) % 12
        if rng.random() > sevenths:
            quality = {"7": "maj", "min7": "min"}.get(quality, quality)
        if rng.random() > clear:
            root = (root + int(rng.choice([0, 0, 3, 4, 5, 7, 9]))) % 12
            quality = str(rng.choice(NAMES))
        share = rng.beta(5, 1)
        p[k] *= 1 - share
        p[k, root * len(NAMES) + NAMES.index(quality)] += share
    return np.log(np.maximum(p, 1e-9))


def examples(rng: Rng, count: int) -> tuple[np.ndarray, np.ndarray, int]:
    """Evidence of the pieces that pass [shape=(n, 4)], whether they are blues on that tonic, blues drawn."""
    rows, right, drawn = [], [], 0
    for _ in range(count):
        beats, is_blues = int(rng.choice([4, 4, 4, 3, 2])), rng.random() < BLUES_SHARE
        bars = blues_bars(rng)[0] if is_blues else song_bars(rng)
        drawn += is_blues
        found = best_fit(heard(rng, bars, beats), beats)
        if found is not None:
            rows.append(found.evidence)
            right.append(is_blues)
    return np.array(rows), np.array(right, float), drawn


def fitted(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Offset and slopes of least cross-entropy."""

    def cost(w: np.ndarray) -> float:
        p = np.clip(expit(w[0] + x @ w[1:]), 1e-9, 1 - 1e-9)
        return float(
            -np.mean(y * np.log(p) + (1 - y) * np.log(1 - p)) + LEAST_WEIGHTS * np.mean(w[1:] ** 2) / 100
        )

    found: np.ndarray = minimize(cost, np.zeros(x.shape[1] + 1), method="BFGS").x
    return found


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--count", type=int, default=2500)
    p.add_argument("--seed", type=int, default=5)
    a = p.parse_args()
    x, y, drawn = examples(np.random.default_rng(a.seed), a.count)
    w = fitted(x, y)
    print(f"{a.count} pieces, {drawn} of them blues; {len(y)} pass, {int(y.sum())} of them blues")
    print(f"OFFSET, SLOPES = {w[0]:.2f}, ({', '.join(f'{v:.2f}' for v in w[1:])})")
    x, y, drawn = examples(np.random.default_rng(a.seed + 1), a.count)
    sure = expit(w[0] + x @ w[1:])
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        there = (sure >= low) & (sure < high)
        if there.any():
            print(
                f"held out, said {low:.2f} to {min(high, 1):.2f}: {there.sum()}, right {y[there].mean():.3f}"
            )
    print(f"held out, said with .8 or more: {((sure >= 0.8) & (y > 0)).sum()} of {drawn} blues")


if __name__ == "__main__":
    main()
