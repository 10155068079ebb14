"""Fit whether pulses followed from attack to attack are a beat: two verdicts of grid.npz.

    python -m tests.training.played_fit WEIGHTS.npz CORPUS... [--noise 40] [--pulse-only]

`calibrate_played_beat` rests on the pulses alone and is asked before they are read as beats;
`calibrate_played_pulse` on that and on how sure the shipped networks then are of one beat rate.
CORPUS folders are made by `played.py` (with --origin none among them) and `demo.corpus --kind ambient`;
`--noise` adds so many signals without a beat. With `--pulse-only` the first is kept as it is. The other
confidences: `confidence_fit.py`.

Shipped: the first on 600 excerpts from seed 1000 and 60 of origin none from seed 3000, two soundfonts, as
`played.py` was before it drew harmony by genre, with 40 ambient beats and 40 signals of noise and drones, and
with `LOOSE` at 0.36: fitting anew gives slightly other numbers. The second on 130 excerpts of origin art
(seed 7810000), 60 chorales (7820000), 110 tunes (7830000), 110 bands (7850000), 160 without a beat (7840000),
two soundfonts, 50 ambient beats (79200000) and 40 signals.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.special import logit

from analyzers.level.silence import find_lead_in
from analyzers.rhythm import meter
from analyzers.rhythm.grid import followed
from analyzers.rhythm.meter_evidence import weigh
from analyzers.rhythm.pulse import find_pulse
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from tests.accuracy.grid import load_signal
from tests.training.grid_calibrate import fit, predict

NONE = 0.5  # weight of music without a beat, all other being 1: producers rarely send it
RATE, NOISE_SEED = 44100, 78


def noise(rng: np.random.Generator, kind: int) -> np.ndarray:
    """Mono samples of 18 to 60 s without a beat: swelling noise, drones, notes at random or wandering."""
    n = int(rng.uniform(18, 60) * RATE)
    t = np.arange(n) / RATE
    if kind == 0:
        return 0.1 * rng.standard_normal(n) * (1 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.05, 0.4) * t))
    x = np.zeros(n)
    if kind == 1:
        for _ in range(8):
            swell = 1 + 0.6 * np.sin(2 * np.pi * rng.uniform(0.03, 0.5) * t + rng.uniform(0, 6))
            x += 0.05 * swell * np.sin(2 * np.pi * rng.uniform(60, 900) * t + rng.uniform(0, 6))
        return x
    long = np.arange(2 * RATE) / RATE
    at, pace = 0.0, 0.5
    while at < n / RATE - 3:
        pitch = 110 * 2 ** (rng.integers(0, 36) / 12)
        a = int(at * RATE)
        x[a : a + len(long)] += 0.2 * np.sin(2 * np.pi * pitch * long) * np.exp(-3 * long)
        pace = float(np.clip(pace * np.exp(rng.normal(0, 0.3)), 0.2, 1.5))
        at += pace if kind == 3 else float(rng.exponential(0.6)) + 0.1
    return x


def songs(corpora: list[Path], noises: int) -> Iterator[tuple[Features, bool]]:
    """Features of each, and whether it has a beat."""
    for folder in corpora:
        for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
            truth = json.loads(line)
            beat = truth["tempo_bpm"] is not None
            if truth["category"] != "sequence" and (not beat or len(truth["beats"]) >= 12):
                yield Features(load_signal(folder / truth["file"])), beat
    rng = np.random.default_rng(NOISE_SEED)
    for k in range(noises):
        yield Features(Signal(noise(rng, k % 4).astype(np.float32)[:, None], RATE)), False


def evidence(f: Features) -> tuple[np.ndarray, np.ndarray] | None:
    """What the pulses tell, and how sure the networks are of one beat rate (log-odds of it, and with half
    and double); None when the pulse would not be followed."""
    pulse, first = find_pulse(f.onsets), find_lead_in(f).first_sound_s
    if pulse is None or first is None:
        return None
    played = followed(f.onsets, pulse, meter.pulse_verdict(pulse.evidence)[1])
    if played is None:
        return None
    x = meter.played_evidence(played.support, played.contrast, played.turning, pulse.evidence)
    h = weigh(f.onsets, played.times_s, first, (40.0, 240.0))
    if len(h.ratio) == 0:
        return None
    p = meter.probabilities(h.evidence)
    sure = meter.tempo_evidence(h, p, meter.best_of(h, p), 0.5)
    return x, sure[:-1]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("corpus", type=Path, nargs="+")
    parser.add_argument("--noise", type=int, default=40)
    parser.add_argument("--pulse-only", action="store_true")
    a = parser.parse_args()
    found = [(*e, beat) for f, beat in songs(a.corpus, a.noise) if (e := evidence(f)) is not None]
    pulses, rates, y = (np.array(column, float) for column in zip(*found, strict=True))
    with np.load(a.weights) as z:
        arrays = {k: z[k] for k in z.files}
    if not a.pulse_only:
        arrays["calibrate_played_beat"] = fit("beat", pulses, y)
    beat = np.clip(predict(arrays["calibrate_played_beat"], pulses), 1e-4, 1 - 1e-4)
    weight = np.where(y > 0, 1.0, NONE * y.sum() / max((1 - y).sum(), 1))
    arrays["calibrate_played_pulse"] = fit("pulse", np.column_stack([rates, logit(beat)]), y, weight)
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
