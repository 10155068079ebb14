"""Examples for the grid's weights, made from rendered beats with exact truth.

    python tests/training/grid_data.py OUT --seed 1000000 --count 4000 --jobs 8

Each beat is rendered (`demo.render`), analysed as the grid analyzer does up to the evidence, and labelled:
which hypotheses put beats and bar lines where the truth has them. One ``.npz`` a beat goes to OUT. With
several jobs set OMP_NUM_THREADS=1. The shipped weights: seeds 0 to 2646 and 10 000 to 11 760 of all kinds.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from analyzers.rhythm.grid import followed
from analyzers.rhythm.in_beats import HEARD
from analyzers.rhythm.meter import played_evidence, pulse_verdict
from analyzers.rhythm.meter_evidence import Hypotheses, weigh
from analyzers.rhythm.played import Played
from analyzers.rhythm.pulse import Pulse, find_pulse
from analyzers.rhythm.pulse_map import pulse_time
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec

NEAR_S, NEAR_PLAYED_S = 0.035, 0.06  # a bar line this near to the true one (median) is the true one


def _distance(times: np.ndarray, reference: np.ndarray) -> float:
    """Median distance of `times` from the nearest of `reference`."""
    k = np.clip(np.searchsorted(reference, times), 1, len(reference) - 1)
    return float(np.median(np.minimum(abs(times - reference[k - 1]), abs(times - reference[k]))))


def label(
    h: Hypotheses, pulses: np.ndarray, truth: dict[str, Any], near_s: float = NEAR_S
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Masks [shape=(hypotheses,)]: the notated reading, another accepted one, an accepted tempo."""
    beats = np.array([b[0] for b in truth["beats"]])
    bars = np.array([b[0] for b in truth["beats"] if b[1]])
    per_bar = truth["beats_per_bar"] or 4
    masks = np.zeros((3, len(h.ratio)), bool)
    pulse_bpm = 60.0 / float(np.median(np.diff(pulses)))
    for i, (ratio, offset, n) in enumerate(zip(h.ratio, h.offset, h.beats, strict=True)):
        bpm = pulse_bpm / ratio
        masks[2, i] = any(abs(bpm / k - 1) < 0.03 for k in truth["tempo_ok"] or [truth["tempo_bpm"]])
        if not masks[2, i] or n != per_bar:
            continue
        found = pulse_time(offset + np.arange(len(pulses) / ratio / n + 1) * ratio * n, pulses)
        found = found[(found > beats[0] - 0.1) & (found < beats[-1] + 0.1)]
        if len(found) < 2 or len(bars) < 2:
            continue
        octave = bpm / truth["tempo_bpm"]
        if abs(octave - 1) < 0.03:
            masks[0, i] = _distance(found, bars) < near_s
        elif abs(octave - 2) < 0.06:
            masks[1, i] = _distance(bars, found) < near_s
        elif abs(octave - 0.5) < 0.02:
            masks[1, i] = _distance(found, bars) < near_s
    return masks[0], masks[1], masks[2]


def example(
    onsets: Any, truth: dict[str, Any], first_sound_s: float, duration_s: float
) -> dict[str, np.ndarray]:
    """Everything that the trainer needs of one beat.

    Pulses as the grid takes them: followed from attack to attack, moving, steady. Beats of the generator
    (`strict`) are taken as what they are, steady or not; of played ones what the grid would think of them.
    """
    pulse = find_pulse(onsets)
    out: dict[str, Any] = {"none": truth["tempo_bpm"] is None, "found": pulse is not None}
    if pulse is None:
        return out
    none = truth["tempo_bpm"] is None
    out |= {"pulse_evidence": np.array(pulse.evidence), "constant": truth["constant_tempo"] or False}
    out["step"] = bool(truth["tempo_changes"])
    pulses, near, found = _pulses(onsets, pulse, truth)
    out["played"] = found is not None
    if found is not None:
        out["played_evidence"] = played_evidence(found.support, found.contrast, found.turning, pulse.evidence)
    h = weigh(onsets, pulses, first_sound_s, (40.0, 240.0))
    wrong = np.zeros(len(h.ratio), bool)
    notated, other, tempo = (wrong, wrong, wrong) if none else label(h, pulses, truth, near)
    out |= {"evidence": h.evidence.astype(np.float16), "notated": notated, "other": other, "tempo_ok": tempo}
    out |= {"ratio": h.ratio, "offset": h.offset, "beats": h.beats, "tempo": h.tempo, "phase": h.phase}
    out["rows"] = np.concatenate([np.zeros((0, HEARD), np.uint8), *h.heard])
    out["counts"] = np.array([len(beats) for beats in h.heard], np.int64)
    out["pulse_bpm"] = 60.0 / float(np.median(np.diff(pulses)))
    out["bpm"] = truth["tempo_bpm"] or 0.0
    return out


def _pulses(onsets: Any, pulse: Pulse, truth: dict[str, Any]) -> tuple[np.ndarray, float, Played | None]:
    """Pulse times, how near a bar line is the true one, and the pulses' track where they are followed."""
    _, steady = pulse_verdict(pulse.evidence)
    found = followed(onsets, pulse, steady)
    if found is not None:
        return found.times_s, NEAR_PLAYED_S, found
    if truth.get("strict", True) or truth["tempo_bpm"] is None:
        steady = float(bool(truth["constant_tempo"]) or truth["tempo_bpm"] is None)
    if steady >= 0.5 or pulse.moving_s is None:
        return pulse.steady_s, NEAR_S if truth.get("strict", True) else NEAR_PLAYED_S, None
    return pulse.moving_s, NEAR_S if truth.get("strict", True) else NEAR_PLAYED_S, None


def make(seed: int, out: Path, kind: str | None, style: str | None = None) -> str | None:
    try:
        spec = random_spec(seed, kind=kind, style=style)
        samples, truth = render(spec)
        row = truth.as_row(str(seed))
        features = Features(Signal(np.ascontiguousarray(samples, dtype=np.float32), spec.rate))
        loud = np.abs(samples).max(axis=1)
        first = float(np.argmax(loud > 1e-3 * loud.max())) / spec.rate
        made = example(features.onsets, row, first, features.duration_s)
        np.savez(out / f"{seed}.npz", style=row["genre"], kind=spec.kind, seed=seed, **made)
    except Exception as error:  # a beat that cannot be made must not end a run of thousands
        return f"{seed}: {error!r}"
    return None


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=1_000_000)
    parser.add_argument("--count", type=int, default=4000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--kind", choices=("beat", "song", "drums", "ambient"))
    parser.add_argument("--style", help="one of demo.styles.STYLES")
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(a.jobs) as pool:
        jobs = [pool.submit(make, s, a.out, a.kind, a.style) for s in range(a.seed, a.seed + a.count)]
        for job in jobs:
            if (error := job.result()) is not None:
                print(error, file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
