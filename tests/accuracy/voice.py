"""Is a voice in a beat noticed, and is none noticed where there is none?

    python -m tests.accuracy.voice CORPUS... [--each 1] [--speech FOLDER...] [--seed 1]

Every piece of a corpus (a folder with audio and `truth.jsonl`) is listened to as it is, and again with
somebody talking, rapping or singing in it: one talker, one to three phrases, at -6 to +6 dB beside the
music's loud half (K-weighted, ITU-R BS.1770), limited together. Talkers are those of
`tests/training/voice_phrases.py` (espeak-ng, flite, festival where installed; recorded talk in FOLDERs, none
of which the networks should have heard), and formant synthesis by `tests/training/voices.py`, which no
network has heard. Pieces whose truth notes a spoken tag are told apart. Needs pyworld.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter1d

from analyzers.health.voice import voice_places
from analyzers.level.loudness import measure_loudness
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.voice import voice_bands, voice_probability
from tests.accuracy.grid import load_signal
from tests.training import voice_phrases, voices
from tests.training.voice_lines import RATE, at_rate

LEVELS_DB = ((-6.0, -2.0), (-2.0, 2.0), (2.0, 6.0))
KINDS = ("speech", "rap", "sung", "formants talk", "formants sing")


def loudness(x: np.ndarray) -> float:
    """Integrated LUFS of a mono signal; short ones are repeated."""
    long = np.tile(x, max(1, -(-RATE // len(x))))[:, None].astype(np.float32)
    return measure_loudness(Features(Signal(long, RATE))).integrated_lufs or -70.0


def spoken(rng: np.random.Generator, kind: str, folders: list[Path]) -> np.ndarray:
    """A phrase of 1.5 to 6 s [shape=(n,)]."""
    seconds = float(rng.uniform(1.5, 6))
    if kind.startswith("formants"):
        step = float(rng.uniform(0.2, 0.5))
        notes = [
            (k * step, (k + 0.9) * step, int(rng.integers(50, 72)), 0, 1.0)
            for k in range(int(seconds / step))
        ]
        frames = int(seconds * RATE)
        if kind == "formants sing":
            return voices.sung(rng, notes, frames, RATE, 0.0, False)
        return voices.spoken(rng, notes, frames, RATE)
    return voice_phrases.phrase(rng, kind, seconds, folders)[0]


def with_voice(
    rng: np.random.Generator, x: np.ndarray, kind: str, db: float, folders: list[Path]
) -> np.ndarray:
    """The piece with one to three phrases at `db` beside it, under one limiter."""
    x = x.astype(np.float64)
    for _ in range(int(rng.integers(1, 4))):
        v = voice_phrases.with_effect(rng, spoken(rng, kind, folders))
        v = v * 10 ** ((loudness(x) + db - loudness(v)) / 20)
        at = int(rng.uniform(0, max(len(x) - len(v), 1)))
        x[at : at + len(v)] += v[: len(x) - at]
    peak = np.sqrt(np.maximum(uniform_filter1d(x**2, 441), 0.0)) * 1.4
    x = x / np.maximum(1.0, peak / 0.5) ** 0.7
    return np.asarray(x / max(np.abs(x).max(), 1e-9) * 0.98, np.float32)


def pieces(folder: Path) -> Iterator[tuple[np.ndarray, bool]]:
    """Mono samples at `RATE`, and whether a tag is spoken in it."""
    for row in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        truth = json.loads(row)
        work = Features(load_signal(folder / truth["file"]))
        mono = np.asarray(work.mono[:], np.float32)
        yield at_rate(mono, work.signal.rate), "spoken tag" in str(truth.get("notes"))


def hears(x: np.ndarray) -> bool:
    return bool(voice_places(voice_probability(voice_bands(np.asarray(x, np.float32), RATE))))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("corpus", type=Path, nargs="+")
    parser.add_argument("--each", type=int, default=1, help="mixtures of each piece")
    parser.add_argument("--speech", type=Path, nargs="*", default=[])
    parser.add_argument("--seed", type=int, default=1)
    a = parser.parse_args()
    rng = np.random.default_rng(a.seed)
    found: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for folder in a.corpus:
        for x, tagged in pieces(folder):
            found[folder.name, "spoken tag" if tagged else "clean"].append(hears(x))
            for _ in range(0 if tagged else a.each):
                kind, (low, high) = KINDS[rng.integers(len(KINDS))], LEVELS_DB[rng.integers(len(LEVELS_DB))]
                heard = hears(with_voice(rng, x, kind, float(rng.uniform(low, high)), a.speech))
                found["heard", f"{kind}, {low:+.0f} to {high:+.0f} dB"].append(heard)
                found["heard", kind].append(heard)
                found["heard", "all"].append(heard)
    for (what, kind), heard in sorted(found.items()):
        print(f"{what:<16} {kind:<32} {np.mean(heard):.3f} of {len(heard)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
