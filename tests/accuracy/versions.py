"""How well the same music is told from other music: ``python -m tests.accuracy.versions --count 30``.

Made beats, all brought to one tempo and key so that neither helps. The same beat comes again later
and quieter, saturated, as OGG Vorbis at low quality, and without its first eight bars.
"""

from __future__ import annotations

import argparse
import io
from dataclasses import replace
from itertools import combinations

import numpy as np
import soundfile as sf

from analyzers.model import Grid
from analyzers.signal.samples import Signal
from analyzers.structure.fingerprint import Fingerprint, compare, fingerprint
from demo.render import render
from demo.spec import random_spec
from demo.truth import Truth

KINDS = ("later, quieter", "saturated", "ogg", "without 8 bars")


def grid_of(truth: Truth, moved_s: float) -> Grid:
    """The true grid of a beat whose samples start `moved_s` later (negative: were cut)."""
    beats = [(at + moved_s, bool(down)) for at, down in truth.beats if at + moved_s >= 0]
    one = next((at for at, down in beats if down), beats[0][0])
    return Grid(
        truth.tempo_bpm, 1.0, (), True, 1.0, truth.meter, 1.0, truth.beats_per_bar, one, 1.0, 0.0,
        tuple(at for at, _ in beats), tuple(down for _, down in beats), (), None,
    )  # fmt: skip


def again(samples: np.ndarray, truth: Truth, kind: str) -> tuple[np.ndarray, float]:
    """(samples, seconds that they start later) of another version."""
    rate = truth.samplerate
    if kind == "later, quieter":
        pad = round(0.37 * rate)
        return np.vstack([np.zeros((pad, 2), np.float32), samples / 2]), pad / rate
    if kind == "saturated":
        return np.tanh(3 * samples).astype(np.float32), 0.0
    if kind == "ogg":
        file = io.BytesIO()
        with sf.SoundFile(file, "w", rate, 2, "VORBIS", format="OGG", compression_level=0.9) as out:
            for at in range(0, len(samples), 65536):
                out.write(samples[at : at + 65536])
        file.seek(0)
        return sf.read(file, dtype="float32", always_2d=True)[0], 0.0
    cut = round(8 * truth.beats_per_bar * 60 / (truth.tempo_bpm or 60) * rate)
    return samples[cut:], -cut / rate


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--seed", type=int, default=9000)
    arguments = parser.parse_args()
    prints: list[Fingerprint] = []
    found = dict.fromkeys(KINDS, 0)
    for seed in range(arguments.seed, arguments.seed + arguments.count):
        spec = random_spec(seed, kind="beat", length_s=80)
        spec = replace(spec, bpm=140.0 if spec.bpm > 100 else 70.0, tonic=3, mode="minor", key_shift=None)
        samples, truth = render(replace(spec, tempo_step=None, drift=0.0, tuning_cents=0.0, defect="none"))
        if truth.tempo_bpm is None:
            continue
        first = fingerprint(Signal(samples, truth.samplerate), grid_of(truth, 0.0))
        assert first is not None
        prints.append(first)
        for kind in KINDS:
            other, moved_s = again(samples, truth, kind)
            second = fingerprint(Signal(other, truth.samplerate), grid_of(truth, moved_s))
            found[kind] += second is not None and compare(first, second) is not None
    pairs = list(combinations(prints, 2))
    wrong = sum(compare(a, b) is not None for a, b in pairs)
    for kind in KINDS:
        print(f"{kind:<16} recognised {found[kind]} of {len(prints)}")
    print(f"other beats at one tempo and key taken for the same: {wrong} of {len(pairs)} pairs")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
