"""What the grid's and the key's networks learn from, of every origin there is, in one pass.

    python -m tests.training.examples OUT --scores SCORES.json.gz --soundfont FONT... --jobs 16 --seconds 560
        [--only grid|key] [--quick]

Origins: `generator` (demo beats), `soundfont` (the same arrangements by sampled instruments), `tones`
(invented songs of plain tones, key only), `sequence`, `band`, `score` (written music performed by hand),
`none` (no beat, no key). A part of the beats is made to sound like excerpts of records: cut to 15 to 30 s,
one channel at 22 kHz, through a room, a limiter, a lossy coder. One ``.npz`` an example goes to OUT: the
hypotheses of beat and bar with their evidence and labels (`grid_data.example`), and key inputs
(`harmony.key_samples`); only one of the two if asked (the grid alone draws more beats and sequences). Of
longer ones the grid also gets a stretch, in a file of its own (`-1`, marked `part`). Jobs are taken in turn
until the time is up. `--quick` leaves most of the coding and the player's own reverb out, which take half the
time; with SOUNDFONT_RATE=22050 soundfonts play twice as fast, without the upper octave of cymbals. Set
OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soxr

from analyzers.harmony.equivariant import load_net
from analyzers.harmony.key_steps import pooling
from analyzers.harmony.network_inputs import record_inputs
from analyzers.level.silence import find_lead_in
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from tests.training import corpus_soundfont, played
from tests.training.corpus_soundfont import RATE, arranged
from tests.training.grid_data import example
from tests.training.harmony import key_samples, row_of
from tests.training.harmony_corpus import Song, draw_song
from tests.training.harmony_data import describe, told

TURN = ("generator", "sequence", "band", "band", "score", "sequence", "band", "soundfont", "tones", "band",
        "generator", "sequence", "band", "generator", "band", "tones", "none", "score", "sequence",
        "band")  # fmt: skip
GRID_TURN = ("generator", "sequence", "band", "generator", "band", "sequence", "generator", "score", "band",
             "generator", "sequence", "band", "soundfont", "generator", "sequence", "band", "none",
             "generator", "sequence", "score")  # fmt: skip
QUICK_CODED, DRY = 0.07, ["-R", "0", "-C", "0"]
FIRST_SEED = 7_000_000
WINDOWS, CLOSE = 4, 0.6
STEPS = 128  # kept of each window
PARTS, PART_S, LEAST_BEATS = 1, (12.0, 45.0), 12  # stretches of one example, their length
Rng = np.random.Generator
read = cache(played.read_scores)


def recorded(
    rng: Rng, x: np.ndarray, rate: int, row: dict[str, Any]
) -> tuple[np.ndarray, int, dict[str, Any]]:
    """A beat as an excerpt of a record: samples, rate, truth in the excerpt's time."""
    x = played.treated(rng, np.ascontiguousarray(x, np.float32), True)
    if rng.random() < 0.8:
        x = x.mean(axis=1, keepdims=True)
        x, rate = soxr.resample(x, rate, 22050), 22050
    if rng.random() < played.CODED:
        x = played.through_mp3(x, rate) if rate <= 48000 else x
    length = len(x) / rate
    seconds = float(rng.uniform(15, 32))
    if length < seconds + 2:
        return x, rate, row
    start = float(rng.uniform(0, length - seconds))
    x = x[int(start * rate) : int((start + seconds) * rate)]
    beats = [[b - start, d] for b, d in row["beats"] or () if -0.02 <= b - start < seconds]
    cut = {"beats": beats, "chords": [], "sections": [], "duration_s": seconds}
    if any(start < c[0] < start + seconds for c in row["key_changes"] or ()):
        return x, rate, row | cut | {"key_changes": [[1.0, "", ""]]}
    before = [c for c in row["key_changes"] or () if c[0] <= start]
    key = {"key_tonic": before[-1][1], "key_mode": before[-1][2]} if before else {}
    return x, rate, row | cut | key | {"key_changes": []}


def sounding(
    origin: str, seed: int, scores: Path, fonts: list[Path]
) -> tuple[np.ndarray, int, dict[str, Any]]:
    """Samples [shape=(n, channels)], rate and truth of one example that has beats."""
    rng = np.random.default_rng([seed, 78])
    if origin in ("generator", "soundfont"):
        if origin == "generator":
            spec = random_spec(seed, kind="ambient" if seed % 25 == 3 else None)
            x, truth = render(spec)
            rate, row = spec.rate, truth.as_row(str(seed))
        else:
            x, row = arranged(fonts[seed % len(fonts)], seed, "song" if seed % 2 else None)
            rate = RATE
        row = row | {"strict": True}
        return recorded(rng, x, rate, row) if rng.random() < 0.3 else (x, rate, row)
    kind = str(rng.choice(["art", "chorale", "tune", "tune"])) if origin == "score" else origin
    x, rate, row = played.make(seed, kind, read(scores, False), fonts)
    return x, rate, row | {"strict": origin == "sequence"}


def key_part(song: Song, seed: int) -> dict[str, np.ndarray]:
    """Key inputs of the whole and of stretches, with their class."""
    rng = np.random.default_rng([seed, 79])
    d = describe(song, rng)
    row = row_of(d["x"], d["y"], d["down"], d["key"], d["about"])
    if row.changes or len(row.y) < 8:
        return {}
    held = seed % 10 == 0
    share = 0.5 if held else CLOSE
    chroma, scalars, target, windows = key_samples(
        [row], load_net("chord"), WINDOWS, rng, spoil=not held, inputs=record_inputs,
        close=share if len(row.y) > 24 else 0.0,
    )  # fmt: skip
    return {
        "key_chroma": chroma.astype(np.float16), "key_scalars": scalars, "key_target": target,
        "key_levels": d["x"][:, 1], "key_steps": np.stack([_ends(pick) for pick, _ in windows]),
        "key_pooling": np.stack([_ends(pooling(len(pick), w).T) for pick, w in windows]).astype(np.float16),
    }  # fmt: skip


def _ends(rows: np.ndarray) -> np.ndarray:
    """The first and the last half of `STEPS` rows; what is shorter is filled with zeros."""
    half = STEPS // 2
    if len(rows) > STEPS:
        return np.concatenate((rows[:half], rows[-half:]))
    return np.concatenate((rows, np.zeros((STEPS - len(rows), *rows.shape[1:]), rows.dtype)))


def stretches(rng: Rng, features: Features, row: dict[str, Any]) -> list[dict[str, Any]]:
    """Examples of stretches that begin anywhere: the same music with less of its form."""
    out: list[dict[str, Any]] = []
    most = 0.75 * features.duration_s
    if most < PART_S[0] or row["tempo_changes"]:
        return out
    for _ in range(PARTS):
        seconds = float(rng.uniform(PART_S[0], min(PART_S[1], most)))
        start = float(rng.uniform(0.0, features.duration_s - seconds))
        beats = [[b - start, d] for b, d in row["beats"] or () if -0.02 <= b - start < seconds]
        if row["tempo_bpm"] is None or len(beats) >= LEAST_BEATS:
            cut = features.onsets.part(start, start + seconds)
            here = {"beats": beats, "duration_s": seconds, "drums_in_s": None}
            out.append({"style": row["genre"]} | example(cut, row | here, 0.0, seconds))
    return out


def made(origin: str, seed: int, scores: Path, fonts: list[Path], only: str | None = None) -> dict[str, Any]:
    if origin == "tones":
        return key_part(draw_song(np.random.default_rng([seed, 80])), seed)
    x, rate, row = sounding(origin, seed, scores, fonts)
    features = Features(Signal(np.ascontiguousarray(x, dtype=np.float32), rate))
    first = None if only == "key" else find_lead_in(features).first_sound_s
    out: dict[str, Any] = {"style": row["genre"]}
    if first is not None and (row["tempo_bpm"] is None or len(row["beats"]) >= LEAST_BEATS):
        out |= example(features.onsets, row, first, features.duration_s)
        if only == "grid":
            out["parts"] = stretches(np.random.default_rng([seed, 81]), features, row)
    if only == "grid":
        return out
    if row.get("key_ok") or origin == "none" or (origin == "generator" and not row["key_tonic"]):
        out |= key_part(told(np.asarray(x, np.float32), rate, row), seed)
    return out


def one(job: tuple[str, int, Path, list[Path], Path, float, str | None]) -> str | None:
    origin, seed, scores, fonts, out, end, only = job
    if time.time() > end:
        return None
    try:
        arrays = made(origin, seed, scores, fonts, only)
        parts = arrays.pop("parts", [])
        np.savez(out / f"{origin}-{seed}.npz", origin=origin, seed=seed, part=False, **arrays)
        for k, part in enumerate(parts, 1):
            np.savez(out / f"{origin}-{seed}-{k}.npz", origin=origin, seed=seed, part=True, **part)
    except Exception as error:  # an example that cannot be made must not end a run of thousands
        return f"{origin} {seed}: {error!r}"
    return None


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("--scores", type=Path, required=True)
    p.add_argument("--soundfont", type=Path, required=True, nargs="+")
    p.add_argument("--seed", type=int, default=FIRST_SEED)
    p.add_argument("--count", type=int, default=20000)
    p.add_argument("--seconds", type=float, default=1e9)
    p.add_argument("--jobs", type=int, default=1)
    p.add_argument("--only", choices=("grid", "key"))
    p.add_argument("--quick", action="store_true")
    a = p.parse_args()
    if a.quick:
        played.CODED, corpus_soundfont.PLAYER = QUICK_CODED, DRY
    a.out.mkdir(parents=True, exist_ok=True)
    end = time.time() + a.seconds
    turn = GRID_TURN if a.only == "grid" else TURN
    jobs = [
        (turn[k % len(turn)], a.seed + k, a.scores, a.soundfont, a.out, end, a.only) for k in range(a.count)
    ]
    with ProcessPoolExecutor(a.jobs) as pool:
        for error in pool.map(one, jobs, chunksize=4):
            if error:
                print(error, file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
