"""Fit how likely bar lines half a beat off are: `analyzers.rhythm.half_beat`.

    python -m tests.training.half_beat_fit [--seed 70000] [--count 700]

Beats of the generator in four-four with drums and a steady tempo. In a part of them chords and bass (in half
of these the melody as well) come half a beat early or late throughout, the drums do not; some have one stroke
of kick and snare a bar and chords on the "and" alone. Where the networks choose an accepted beat rate, their
two opinions are what the odds rest on, and whether their beats are the drums' or half a beat off what they
are to tell. `WORTH` says how often each kind is taken to occur. Prints the three numbers of the module, and
for each kind what becomes of right and wrong readings by a fit on other styles. Seeds below 100000.
Shipped: the seeds that are the default, 286 asked about.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np

from analyzers.level.silence import find_lead_in
from analyzers.rhythm import half_beat
from analyzers.rhythm.grid import followed
from analyzers.rhythm.meter import best_of, probabilities, pulse_verdict
from analyzers.rhythm.meter_evidence import weigh
from analyzers.rhythm.pulse import find_pulse
from analyzers.rhythm.pulse_map import pulse_time
from analyzers.signal.features import Features
from analyzers.signal.onsets import Onsets
from analyzers.signal.samples import Signal
from demo import render as rendering
from demo.score import Score, write_score
from demo.spec import BeatSpec, random_spec
from demo.styles import STYLES, Style
from tests.training.grid_calibrate import logistic, predict

KINDS = ("plain", "plain", "plain", "plain", "early", "early", "early", "late", "late", "drop")
WORTH = {"plain": 1.0, "early": 0.08, "late": 0.03, "drop": 0.06}
LENGTH_S = 30.0
FOUR = tuple(name for name, s in STYLES.items() if s.steps == 4 and s.beats == 4)
DROP = Style("0000 0000 9000 0000/0000 0000 9000 0001", "0000 0000 9000 0000/0000 0000 9000 0001", (62, 92),
    "0010 0200 0010 0020", other_tempi=(2.0,), swing=(0.5, 0.6), comp=("offbeat",),
    hats=("eighths", "offbeat", "sixteenths", "quarters"),
    bass=("syncopated", "offbeat", "tresillo", "roots"),
    kits=("acoustic", "electronic"), jitter=(0, 5), minor=0.6)  # fmt: skip


def displaced(by: float, melody: bool) -> Callable[[BeatSpec], Score]:
    """What writes a score whose notes, but not its strokes, come `by` beats late."""

    def write(spec: BeatSpec) -> Score:
        score = write_score(spec)
        parts = [
            part
            if part.role == "lead" and not melody
            else replace(
                part, notes=sorted(n._replace(beat=max(n.beat + by, min(n.beat, 0.0))) for n in part.notes)
            )
            for part in score.parts
        ]
        return replace(score, parts=parts)

    return write


def drawn(seed: int) -> tuple[str, BeatSpec, np.ndarray, dict[str, Any]]:
    """Kind, spec, samples and truth of one beat."""
    kind, rng = KINDS[seed % len(KINDS)], np.random.default_rng([seed, 91])
    if kind == "drop":
        by = 0.5 if rng.random() < 0.3 else 0.0
        with patch.dict(STYLES, {"drop": DROP}):
            spec = random_spec(seed, kind="beat", style="drop", length_s=LENGTH_S + 6)
            with patch.object(rendering, "write_score", displaced(by, rng.random() < 0.5)):
                samples, truth = rendering.render(spec)
        return kind, spec, samples, truth.as_row(str(seed))
    song, style = str(rng.choice(["beat", "beat", "song"])), str(rng.choice(FOUR))
    spec = random_spec(seed, kind=song, style=style, length_s=LENGTH_S)
    by = {"plain": 0.0, "early": -0.5, "late": 0.5}[kind]
    with patch.object(rendering, "write_score", displaced(by, rng.random() < 0.5)):
        samples, truth = rendering.render(spec)
    return kind, spec, samples, truth.as_row(str(seed))


def row(onsets: Onsets, first_s: float | None, truth: dict[str, Any]) -> tuple[float, float, bool] | None:
    """The networks' two opinions, and whether their beats are half a beat off; None where nobody asks."""
    pulse = find_pulse(onsets)
    if pulse is None or first_s is None or followed(onsets, pulse, pulse_verdict(pulse.evidence)[1]):
        return None
    h = weigh(onsets, pulse.steady_s, first_s, (40.0, 240.0))
    if not len(h.ratio):
        return None
    p = probabilities(h.evidence)
    best = best_of(h, p)
    both = half_beat.opinions(h, p, best, probabilities)
    bpm, beats = 60.0 / (pulse.period_s * h.ratio[best]), np.array([b[0] for b in truth["beats"]])
    if both is None or not any(abs(bpm / ok - 1) < 0.04 for ok in truth["tempo_ok"]):
        return None
    bar = h.ratio[best] * h.beats[best]
    middle = h.offset[best] + round((len(pulse.steady_s) / 2 - h.offset[best]) / bar) * bar
    line_s = pulse_time(np.array([middle]), pulse.steady_s)
    late = float(np.interp(line_s, beats, np.arange(len(beats)))[0]) * bpm / truth["tempo_bpm"] % 1.0
    right, half = min(late, 1.0 - late) < 0.12, abs(late - 0.5) < 0.12
    return (*both, half) if right or half else None


def rows(seeds: range) -> Iterator[tuple[str, str, tuple[float, float, bool]]]:
    """(kind, style, `row`) of each beat that is asked about."""
    for seed in seeds:
        kind, spec, samples, truth = drawn(seed)
        drums = any({"kick", "snare"} & set(section.layers) for section in spec.sections)
        if spec.drift or spec.tempo_step or not drums:
            continue
        f = Features(Signal(np.asarray(samples, np.float32), spec.rate))
        found = row(f.onsets, find_lead_in(f).first_sound_s, truth)
        if found is not None:
            yield kind, spec.style, found


def report(found: list[tuple[str, str, tuple[float, float, bool]]]) -> None:
    """The fit, and its marks on styles that it has not seen."""
    kinds, styles = (np.array([r[k] for r in found]) for k in (0, 1))
    x, y = np.array([r[2][:2] for r in found]), np.array([r[2][2] for r in found], float)
    w = np.array([WORTH[kind] for kind in kinds])
    fold = np.unique(styles, return_inverse=True)[1] % 6
    p = np.zeros(len(y))
    for k in range(6):
        p[fold == k] = predict(logistic(x[fold != k], y[fold != k], 1.0, w[fold != k]), x[fold == k])
    for kind in WORTH:
        mine = kinds == kind
        for wrong in (0.0, 1.0):
            q = p[mine & (y == wrong)]
            print(
                f"{kind:<6} {'wrong' if wrong else 'right'} {len(q):>4}: turned {np.sum(q > 0.5):>3}", end=""
            )
            print(f", doubted (.2 or more) {np.sum(q > 0.2):>3}")
    print("ALL_TOLD, BY_DRUMS, BIAS =", np.round(logistic(x, y, 1.0, w), 2).tolist())


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=70_000)
    parser.add_argument("--count", type=int, default=700)
    a = parser.parse_args()
    report(list(rows(range(a.seed, a.seed + a.count))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
