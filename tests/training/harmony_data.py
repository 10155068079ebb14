"""Render a harmony corpus and keep what the models see of it: note levels per beat, with the truth.

    python tests/training/harmony_data.py OUT.npz --songs 1500 --seed 1
    python tests/training/harmony_data.py OUT.npz --songs 500 --seed 20000 --demo
    python tests/training/harmony_data.py OUT.npz --corpus FOLDER

With --demo the beats come from the demo generator (another synthesis, other loops): seeds from
100 000 on are kept for held-out checks. With --corpus they are read from a folder that `demo.corpus` or
`corpus_soundfont.py` has written.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from analyzers.harmony.chords import mean_between
from analyzers.harmony.spelling import parse_chord, pitch_class_of
from analyzers.harmony.tuning import find_tuning
from analyzers.harmony.voicing import QUALITIES
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from tests.training.harmony_corpus import MODES, Song, draw_song

NAMES = list(QUALITIES)
NO_CHORD, UNKNOWN = 12 * len(NAMES), -1
BANDS_FLOOR_DB = -120.0


def describe(song: Song, rng: np.random.Generator) -> dict[str, npt.NDArray[np.generic]]:
    """What is kept of one song: ``x`` [shape=(beats, 2, 84)] (plain, steady), ``y`` chords, ``bands``."""
    f = Features(Signal(song.wave[:, None], song.rate))
    tuning = find_tuning(f)
    cents = 0.0 if tuning.cents is None else tuning.cents
    edges, down = _edges(song, rng)
    levels = np.stack(
        [mean_between(np.sqrt(n), edges) for n in (f.spectrum.notes(cents), f.spectrum.steady_notes(cents))],
        1,
    )
    turned = round(
        (song.cents - cents) / 100
    )  # an offset near half a semitone may be read from the other side
    bands = mean_between(f.spectrum.bands_db, edges) - BANDS_FLOOR_DB
    part = np.searchsorted(np.array(song.sections_s), edges[:-1] + 0.1)
    return {
        "x": np.rint(levels * (255 / max(float(levels.max()), 1e-9))).astype(np.uint8),
        "y": np.array([_chord_at(song, a, b, turned) for a, b in pairwise(edges)], np.int16),
        "bands": np.clip(np.rint(bands), 0, 255).astype(np.uint8),
        "edges": edges[:-1].astype(np.float32),
        "down": down,
        "part": part.astype(np.uint8),
        "key": np.array(
            [-1 if song.tonic < 0 else (song.tonic + turned) % 12, MODES.index(song.mode)], np.int16
        ),
        "tuning": np.array([song.cents, np.nan if tuning.cents is None else tuning.cents, tuning.confidence]),
        "about": np.array([song.beats_per_bar, song.relative_too, song.key_change_s]),
    }


def demo_song(seed: int) -> Song:
    """A beat of the demo generator; chords and keys as it knows them."""
    samples, truth = render(random_spec(seed))
    return told(samples, truth.samplerate, truth.as_row(""))


def corpus_songs(folder: Path) -> Iterator[Song]:
    for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        samples, rate = soundfile.read(folder / row["file"], dtype="float32", always_2d=True)
        yield told(samples, rate, row)


def told(samples: npt.NDArray[np.float32], rate: int, row: dict[str, Any]) -> Song:
    """A song from its samples [shape=(frames, channels)] and its line of a corpus' truth."""
    chords = []
    for start, end, label in row.get("chords") or ():
        root, quality = parse_chord(label) or (-1, "maj")
        chords.append((start, end, root, quality))
    steps = np.arange(0.0, len(samples) / rate, 0.5)
    beats = np.array([b for b, _ in row["beats"]]) if row["beats"] else steps
    down = (
        tuple(bool(d) for _, d in row["beats"])
        if row["beats"]
        else tuple(i % 4 == 0 for i in range(len(steps)))
    )
    keys = row["key_ok"] or ()
    relative = len({pitch_class_of(k.rsplit(" ", 1)[0].split(" h")[0]) for k in keys}) > 1
    return Song(
        samples.mean(axis=1).astype(np.float32),
        beats,
        row["beats_per_bar"] or 4,
        -1 if row["key_tonic"] is None else pitch_class_of(row["key_tonic"]),
        row["key_mode"] or "major",
        row["tuning_cents"] or 0.0,
        tuple(chords),
        relative,
        rate,
        down,
        tuple(s for _, s, _ in row.get("sections") or ()),
        row["key_changes"][0][0] if row.get("key_changes") else -1.0,
    )


def _edges(song: Song, rng: np.random.Generator) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """The beats as a grid finder may give them: every other one, twice as many, others, a little off."""
    beats = song.beats_s
    down = np.array(song.downbeats or [i % song.beats_per_bar == 0 for i in range(len(beats))])
    draw = rng.random()
    if draw < 0.12:
        keep = slice(int(np.argmax(down)) % 2, None, 2)
        beats, down = beats[keep], down[keep]
    elif draw < 0.24:
        beats = np.interp(np.arange(0, len(beats) - 0.5, 0.5), np.arange(len(beats)), beats)
        down = np.array([down[i // 2] if i % 2 == 0 else False for i in range(len(beats))])
    elif draw < 0.36:
        beats = np.arange(0.0, len(song.wave) / song.rate, rng.uniform(0.3, 0.8))
        down = np.zeros(len(beats), bool)
    return np.maximum.accumulate(np.maximum(beats + rng.normal(0, 0.01), 0.0)), down[:-1]


def _chord_at(song: Song, start: float, end: float, turned: int) -> int:
    overlap = [(min(b, end) - max(a, start), root, q) for a, b, root, q in song.chords]
    best = max(overlap, default=(0.0, -2, "maj"))
    if best[1] == -1 and best[0] >= 0.6 * (end - start):
        return NO_CHORD
    if best[1] < 0 or best[0] < 0.6 * (end - start):
        return UNKNOWN
    return (best[1] + turned) % 12 * len(NAMES) + NAMES.index(best[2])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--songs", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--demo", action="store_true")
    parser.add_argument("--corpus", type=Path)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    if args.corpus:
        songs = corpus_songs(args.corpus)
    elif args.demo:
        songs = (demo_song(args.seed + i) for i in range(args.songs))
    else:
        songs = (draw_song(rng) for _ in range(args.songs))
    rows = [describe(song, rng) for song in songs]
    per_beat = ("x", "y", "bands", "edges", "down", "part")
    joined = {n: (np.concatenate if n in per_beat else np.stack)([r[n] for r in rows]) for n in rows[0]}
    np.savez_compressed(args.out, lengths=np.array([len(r["y"]) for r in rows]), **joined)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
