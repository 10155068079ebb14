"""Narrow bands of music without a voice, for `voice_fit.py`.

    python -m tests.training.voice_music OUT.npz FOLDER... [--seconds 90] [--seed 1]

Of every audio file in the folders, searched to any depth, one stretch at random. OUT holds `bands`
[shape=(n, BANDS)] in half-decibels, one file after the other, `length` of each and `origin`, its folder.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import soundfile as sf

from analyzers.signal.voice import voice_bands
from tests.accuracy.excerpts import SUFFIXES
from tests.training.voice_lines import RATE, at_rate

LEAST_S = 40.0


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("folder", type=Path, nargs="+")
    parser.add_argument("--seconds", type=float, default=90.0)
    parser.add_argument("--seed", type=int, default=1)
    a = parser.parse_args()
    rng = np.random.default_rng(a.seed)
    found: list[tuple[np.ndarray, str]] = []
    for folder in a.folder:
        for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in SUFFIXES):
            info = sf.info(path)
            if info.duration < LEAST_S:
                continue
            frames = int(min(a.seconds, info.duration) * info.samplerate)
            start = int(rng.uniform(0, max(info.frames - frames, 1)))
            x, rate = sf.read(path, start=start, frames=frames, always_2d=True)
            mono = at_rate(x.mean(axis=1), rate).astype(np.float32)
            found.append((np.round(2 * voice_bands(mono, RATE)).T.astype(np.int16), folder.name))
    np.savez_compressed(
        a.out,
        bands=np.concatenate([b for b, _ in found]),
        length=np.array([len(b) for b, _ in found]),
        origin=np.array([o for _, o in found]),
    )
    print(f"{len(found)} pieces")
    return 0


if __name__ == "__main__":
    sys.exit(main())
