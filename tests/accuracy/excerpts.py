"""Do excerpts of a recording get the tempo and key of the whole? For recordings without written truth.

    python -m tests.accuracy.excerpts FOLDER... [--each 4] [--count 200] [--seed 1] [--jobs 2]

Of each audio file of a minute or more the first three minutes are analysed, and so many excerpts of 15 to
30 s of them, all as one channel at 22 kHz. Printed for tempo (within 4 %, Gouyon et al. 2006; and an octave
or a third off) and for key (same tonic, major or minor): the share of excerpts that agree with their whole,
by how sure the excerpt says that it is; how many have no answer; the share of pairs of excerpts that agree.
Wholes count where they are SURE of one tempo, or of one key without a change.

Who disagrees is wrong once at least; who agrees may be wrong alike: a bound from above, not an accuracy.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile as sf
import soxr

from analyzers.harmony.spelling import is_minor, pitch_class_of
from analyzers.model import Analysis
from analyzers.pipeline import analyse
from analyzers.signal.samples import Signal
from tests.accuracy.grid import OCTAVES, SURE, same_tempo

RATE, WHOLE_S, LEAST_S = 22050, 180.0, 60.0
EXCERPT_S = (15.0, 30.0)
SUFFIXES = frozenset({".flac", ".mp3", ".oga", ".ogg", ".opus", ".wav"})
BANDS = ((SURE, 1.01), (0.5, SURE), (0.0, 0.5))


@dataclass(frozen=True, slots=True)
class Heard:
    """Answers about one stretch; None: there is none. ``key``: pitch class, minor?"""

    bpm: float | None
    bpm_confidence: float
    key: tuple[int, bool] | None
    key_confidence: float
    settled: bool = True  # one key, and no place where the beat starts anew


def heard(analysis: Analysis) -> Heard:
    grid, key = analysis.grid, analysis.key
    name = None if key.tonic is None or key.mode is None else (pitch_class_of(key.tonic), is_minor(key.mode))
    settled = not (key.changes or grid.restarts)
    return Heard(grid.tempo_bpm, grid.tempo_confidence, name, key.confidence, settled)


def listen(path: Path, each: int, seed: int) -> tuple[Heard, list[Heard]] | None:
    """The whole and its excerpts; None for what is too short or no audio."""
    try:
        info = sf.info(path)
        if info.duration < LEAST_S:
            return None
        frames = int(min(info.duration, WHOLE_S) * info.samplerate)
        samples, rate = sf.read(path, dtype="float32", always_2d=True, frames=frames)
    except sf.LibsndfileError:
        return None
    x = soxr.resample(samples.mean(axis=1, keepdims=True), rate, RATE)
    rng = np.random.default_rng([seed, zlib.crc32(path.name.encode())])
    parts = []
    for _ in range(each):
        length = int(rng.uniform(*EXCERPT_S) * RATE)
        start = int(rng.uniform(0, len(x) - length))
        parts.append(np.ascontiguousarray(x[start : start + length]))
    whole, *excerpts = (heard(analyse(Signal(part, RATE))) for part in (x, *parts))
    return whole, excerpts


def table(songs: list[tuple[Heard, list[Heard]]]) -> list[str]:
    """The figures, a line each."""
    tempo = [(w, e) for w, parts in songs if w.settled and w.bpm and w.bpm_confidence >= SURE for e in parts]
    key = [(w, e) for w, parts in songs if w.settled and w.key and w.key_confidence >= SURE for e in parts]
    lines = [_shares("tempo", [(e.bpm_confidence, e.bpm, same_tempo(e.bpm, w.bpm)) for w, e in tempo])]
    levels = [(e.bpm_confidence, e.bpm, same_tempo(e.bpm, w.bpm, OCTAVES)) for w, e in tempo]
    lines.append(_shares("octaves too", levels))
    lines.append(_shares("key", [(e.key_confidence, e.key, e.key == w.key) for w, e in key]))
    pairs = [pair for _, parts in songs for pair in itertools.combinations(parts, 2)]
    both = [same_tempo(a.bpm, b.bpm) for a, b in pairs if a.bpm and b.bpm]
    keys = [a.key == b.key for a, b in pairs if a.key and b.key]
    lines.append(f"pairs of excerpts: tempo {_share(both)}, key {_share(keys)}")
    return lines


def _shares(name: str, answers: list[tuple[float, object, bool]]) -> str:
    given = [(sure, right) for sure, answer, right in answers if answer is not None]
    bands = [_share([right for sure, right in given if low <= sure < high]) for low, high in BANDS]
    every, none = _share([right for *_, right in answers]), len(answers) - len(given)
    sure = f"said with .8 or more {bands[0]}, .5 to .8 {bands[1]}, less {bands[2]}"
    return f"{name:<12}{every}; {sure}; none {none}"


def _share(right: list[bool]) -> str:
    return f"{np.mean(right):.3f} of {len(right)}" if right else "- of 0"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, nargs="+")
    parser.add_argument("--each", type=int, default=4)
    parser.add_argument("--count", type=int, default=200, help="of the recordings, drawn at random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    a = parser.parse_args()
    paths = sorted(p for f in a.folder for p in f.rglob("*") if p.suffix.lower() in SUFFIXES)
    chosen = np.random.default_rng(a.seed).permutation(len(paths))[: a.count]
    jobs = [paths[k] for k in chosen]
    with ProcessPoolExecutor(a.jobs) as pool:
        songs = pool.map(listen, jobs, itertools.repeat(a.each), itertools.repeat(a.seed))
        found = [song for song in songs if song is not None]
    print(f"{len(found)} recordings of a minute or more among {len(jobs)} files")
    print("\n".join(table(found)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
