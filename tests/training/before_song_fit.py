"""Fit on which line the song enters after a tag or an effect: `analyzers.rhythm.before_song`.

    python -m tests.training.before_song_fit --speech FOLDER... [--seed 61000] [--count 380] [--jobs 2]

Each beat of the generator as it is drawn; opened by its drums, hats, bass, chords or melody alone; with the
generator's own tag ahead; and with recorded speech ahead, in half of them worked on as tags are
(`tests/accuracy/tags.py`). Of other beats (1000 seeds on) the beginning with a voice over it. Left out are
those whose bar lines are not met. `SHARES` says how often each is taken to occur. Where nothing comes before
the song, that it enters on the true bar one is as right as that it begins with the first sound: a pickup
comes first. Prints the numbers of the module, and what is right by a fit on the other half. Seeds below
100000. Shipped: the seeds that are the default, with Czech talkers (an adventure game's, of a Linux
distribution).
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.optimize import minimize

from analyzers.rhythm import barline, before_song, grid
from demo import render as rendering
from demo.score import Score, write_score
from demo.spec import BeatSpec, random_spec
from demo.styles import STYLES
from tests.accuracy.tags import (
    BESIDE_DB,
    EFFECTS,
    TAGS,
    beat_of,
    grid_of,
    phrase,
    speech_files,
    with_voice,
    worked_on,
)

RIDGE = 1.0
OVERS, OVER_FROM = 150, 1000
BARS = (1, 2, 2, 4)  # that one part has alone
NEAR_S, LATE_S, SURE = 0.07, 0.3, 0.8
TAGGED = ("babble", "speech", "worked")  # something comes before the song
SHARES = {("none",): 0.4, ("alone",): 0.2, ("over",): 0.1, TAGGED: 0.3}
BEGINS_S = ((0.0, 0.0), (0.0, 0.4), (0.4, 2.0))  # after the first sound, a voice over it
PARTS = ("drums", "hats", "bass", "chords", "pad", "arp", "lead")
LOW_DRUMS = ("kick", "snare", "clap")


@dataclass(frozen=True, slots=True)
class Example:
    """What tells of each line [shape=(lines, facts)], which is bar one [shape=(lines,)], and whether
    something else comes before it."""

    kind: str
    seed: int
    facts: np.ndarray
    right: np.ndarray
    tagged: bool


def example(kind: str, seed: int, x: np.ndarray, rate: int, one_s: float) -> Example | None:
    """None where bar one is no line, or none that is asked about though a tag comes before it."""
    asked: list[tuple[Any, ...]] = []

    def seen(onsets: Any, lines_s: Any, beat_s: float, first_s: float, **more: Any) -> barline.FirstBar:
        asked.append((onsets, lines_s, beat_s, first_s, more["voice"]))
        return barline.first_bar(onsets, lines_s, beat_s, first_s, **more)

    with patch.object(grid, "first_bar", seen):
        grid_of(x, rate)
    if not asked:
        return None
    lines, facts = before_song.lines_and_facts(*asked[0])
    tagged = kind in TAGGED
    right = np.abs(asked[0][1][lines] - one_s) < NEAR_S
    met = right.any() if tagged else np.abs(asked[0][1] - one_s).min() < NEAR_S
    return Example(kind, seed, facts, right, tagged) if met else None


def examples(seed: int, speech: list[Path]) -> Iterator[Example | None]:
    spec = random_spec(seed)
    if spec.kind == "ambient":
        return
    for kind, tag in (("none", spec.tag if spec.tag != "before" else "none"), ("babble", "before")):
        x, truth = rendering.render(replace(spec, tag=tag))
        if truth.first_downbeat_s is not None:
            yield example(kind, seed, x, spec.rate, truth.first_downbeat_s)
    yield one_part_alone(seed)
    beat = beat_of(seed)
    if beat is not None:
        x, rate, one_s, beat_s = beat
        rng = np.random.default_rng(seed)
        effect = str(rng.choice(EFFECTS)) if rng.random() < 0.5 else ""
        y, start_s = with_voice(rng, str(rng.choice(TAGS)), x, rate, beat_s, speech, effect)
        yield example("worked" if effect else "speech", seed, y, rate, start_s + one_s)


def opened_by(alone: str, beats: float) -> Callable[[BeatSpec], Score]:
    """What writes a score of which only one part sounds in the first so many beats."""

    def write(spec: BeatSpec) -> Score:
        score = write_score(spec)
        hits = [
            h
            for h in score.hits
            if h.beat >= beats or alone == "drums" or (alone == "hats" and h.voice not in LOW_DRUMS)
        ]
        parts = [
            replace(p, notes=[n for n in p.notes if n.beat >= beats or p.role == alone]) for p in score.parts
        ]
        return replace(score, hits=hits, parts=[p for p in parts if p.notes])

    return write


def one_part_alone(seed: int) -> Example | None:
    """None also where that part begins late."""
    rng = np.random.default_rng([seed, 1])
    spec = replace(random_spec(seed), tag="none", pickup_beats=0.0)
    beats = STYLES[spec.style].beats * int(rng.choice(BARS))
    with patch.object(rendering, "write_score", opened_by(str(rng.choice(PARTS)), beats)):
        x, truth = rendering.render(spec)
    one_s, first_s = truth.first_downbeat_s, truth.first_sound_s
    if one_s is None or first_s is None or first_s - one_s > LATE_S:
        return None
    return example("alone", seed, x, spec.rate, one_s)


def voice_over(seed: int, speech: list[Path]) -> Example | None:
    """The generator's own voice over the song, or recorded speech over its beginning."""
    rng, spec = np.random.default_rng([seed, 7]), random_spec(seed)
    if spec.kind == "ambient":
        return None
    if rng.random() < 0.4:
        x, truth = rendering.render(replace(spec, tag="over"))
        one_s = truth.first_downbeat_s
        return None if one_s is None else example("over", seed, x, spec.rate, one_s)
    beat = beat_of(seed)
    if beat is None:
        return None
    x, rate, one_s, _ = beat
    ahead = rate // 3
    x = np.concatenate([np.zeros((ahead, 2), np.float32), x])
    words = phrase(rng, speech, rate)
    if rng.random() < 0.3:
        words = worked_on(rng, words, rate, str(rng.choice(EFFECTS)))
    words *= np.sqrt(np.mean(x[: 20 * rate] ** 2)) * 10 ** (rng.uniform(*BESIDE_DB) / 20)
    at = ahead + int((0.01 + rng.uniform(*BEGINS_S[int(rng.integers(len(BEGINS_S)))])) * rate)
    length = min(len(words), len(x) - at)
    x[at : at + length] += words[:length, None]
    return example("over", seed, x / max(float(np.abs(x).max()) / 0.9, 1.0), rate, one_s + ahead / rate)


def all_of(seed: int, speech: list[Path], over: bool) -> list[Example]:
    found = [voice_over(seed, speech)] if over else examples(seed, speech)
    return [e for e in found if e is not None]


def probabilities(weights: np.ndarray, e: Example) -> np.ndarray:
    """That the song begins with the first sound, and that it enters on each line [shape=(1 + lines,)]."""
    odds = np.exp(np.concatenate([[0.0], e.facts @ weights[:-1] + weights[-1]]))
    return np.asarray(odds / odds.sum())


def fit(every: list[Example]) -> np.ndarray:
    """Weights, the bias last [shape=(facts + 1,)]."""
    count = Counter(e.kind for e in every)
    worth = {
        kind: share * len(every) / max(sum(count[k] for k in kinds), 1)
        for kinds, share in SHARES.items()
        for kind in kinds
    }

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        total, slope = RIDGE * weights @ weights / 2, RIDGE * weights
        for e in every:
            p = probabilities(weights, e)
            right = np.concatenate([[not e.tagged], e.right]) * p
            total -= worth[e.kind] * np.log(right.sum())
            rows = np.hstack([e.facts, np.ones((len(e.facts), 1))])
            slope = slope + worth[e.kind] * (p[1:] - right[1:] / right.sum()) @ rows
        return float(total), slope

    start = np.zeros(len(before_song.WEIGHTS) + 1)
    return np.asarray(minimize(loss, start, jac=True, method="L-BFGS-B").x)


def report(weights: np.ndarray, every: list[Example]) -> None:
    for kind in ("none", "alone", "over", *TAGGED):
        n, right, sure, sure_right = 0, 0, 0, 0
        for e in every:
            if e.kind == kind:
                p = probabilities(weights, e)
                best = int(np.argmax(p))
                ok = bool(e.right[best - 1]) if best else not e.tagged
                n, right, sure = n + 1, right + ok, sure + (p[best] >= SURE)
                sure_right += ok and p[best] >= SURE
        print(f"{kind:<7} {n}: right {right}; said with {SURE} or more {sure}, right {sure_right}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--speech", type=Path, nargs="+", required=True)
    parser.add_argument("--seed", type=int, default=61_000)
    parser.add_argument("--count", type=int, default=380)
    parser.add_argument("--jobs", type=int, default=2)
    a = parser.parse_args()
    speech = speech_files(a.speech)
    with ProcessPoolExecutor(a.jobs) as pool:
        every = [
            e
            for first, n, over in ((a.seed, a.count, False), (a.seed + OVER_FROM, OVERS, True))
            for found in pool.map(partial(all_of, speech=speech, over=over), range(first, first + n))
            for e in found
        ]
    halves = [[e for e in every if e.seed % 2 == half] for half in (0, 1)]
    for half, other in zip(halves, halves[::-1], strict=True):
        report(fit(other), half)
    weights = fit(every)
    print("WEIGHTS", np.round(weights[:-1], 2).tolist(), "BIAS", round(float(weights[-1]), 2))


if __name__ == "__main__":
    main()
