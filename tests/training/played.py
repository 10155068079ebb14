"""Played music with exact truth: scores and patterns, performed by hand, through General MIDI soundfonts.

    python tests/training/played.py OUT --scores SCORES.json.gz --soundfont FONT... --count N --seed S
        [--origin art|chorale|tune|band|sequence|none] [--held-out]

`compositions.py` makes SCORES. A performance moves the beats (random walk, phrases, ritards, a step at a
bridge), every part and stroke around them, and the loudness; the sound goes through a room, a tone control
and a limiter, mostly to 15 to 24 s of mono at 22 kHz cut out of the music. OUT/truth.jsonl has the fields of
`demo.corpus`. Compositions whose name hashes to 0 of 5 are played with --held-out only.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import sys
import tempfile
import zlib
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from scipy.signal import fftconvolve, lfilter

from analyzers.harmony.spelling import tonic_name
from tests.training.chip import play_chip
from tests.training.corpus_soundfont import RATE, play
from tests.training.midi_notes import write_midi
from tests.training.pieces import DRUMS, HAT, RIM, Piece
from tests.training.played_notes import GENRE_SHARES, band, beatless, from_score
from tests.training.records import on_record
from tests.training.sequence_notes import sequence

CODED = 0.35  # share that went through a lossy coder
MIXED = 0.75  # share of the bands that are mixed and worn as records are
ORIGINS = ("art", "chorale", "tune", "band", "sequence", "none")
SHARES = (0.16, 0.08, 0.14, 0.36, 0.2, 0.06)
Rng = np.random.Generator


def draw_piece(rng: Rng, origin: str, scores: list[dict[str, Any]], seconds: float) -> Piece:
    """Something to play; scores that do not serve are passed over."""
    if origin == "band":
        share = np.array(list(GENRE_SHARES.values()))
        return band(rng, str(rng.choice(list(GENRE_SHARES), p=share / share.sum())), seconds)
    if origin == "none":
        return beatless(rng, seconds)
    if origin == "sequence" and rng.random() < 0.8:
        return sequence(rng, seconds)
    mine = [s for s in scores if s["family"] == origin or origin == "sequence"]
    while True:
        piece = from_score(rng, mine[rng.integers(len(mine))], seconds)
        if piece:
            return piece


def beat_times(rng: Rng, piece: Piece, origin: str) -> tuple[np.ndarray, bool]:
    """Time of each beat and one past the end [shape=(count + 1,)]; whether the tempo is constant."""
    n, period = piece.count, 60.0 / piece.bpm
    if origin in ("sequence", "none"):
        return period * np.arange(n + 1), True
    log = np.zeros(n)
    if origin == "band":
        if rng.random() < 0.12:
            return period * np.arange(n + 1), True
        wander, arc, ritard = rng.uniform(0.001, 0.008), rng.uniform(0, 0.012), 0.0
    elif origin == "tune":
        wander, arc, ritard = rng.uniform(0.002, 0.012), rng.uniform(0, 0.02), rng.uniform(0, 0.05)
    else:
        strength = float(rng.choice([0.3, 1.0, 1.0, 2.0]))
        wander = strength * rng.uniform(0.005, 0.02)
        arc, ritard = strength * rng.uniform(0.0, 0.04), strength * rng.uniform(0.0, 0.10)
    walk = np.zeros(n)
    for k in range(1, n):
        walk[k] = 0.93 * walk[k - 1] + rng.normal(0, wander)
    phrase = piece.beats * int(rng.choice([2, 4, 4, 8]))
    place = (np.arange(n) % phrase) / phrase
    log = walk + arc * np.cos(2 * np.pi * place) + ritard * np.maximum(place - 0.8, 0) / 0.2
    log += rng.normal(0, wander * 0.5, n)
    if rng.random() < 0.1:
        log[n // 2 :] += np.log(rng.uniform(0.92, 1.09))
    return np.concatenate([[0.0], np.cumsum(period * np.exp(log))]), False


def _swung(x: float, swing: float) -> float:
    whole, f = np.floor(x), x % 1.0
    return float(whole + (f / 0.5 * swing if f < 0.5 else swing + (f - 0.5) / 0.5 * (1 - swing)))


def performed(
    rng: Rng, piece: Piece, times: np.ndarray, origin: str
) -> list[tuple[float, float, int, int, float]]:
    """(start s, end s, MIDI note, part, loudness) of every note."""
    strict = origin == "sequence"
    jitter = 0.0 if strict else float(rng.uniform(0.003, 0.014 if origin in ("band", "tune") else 0.022))
    parts = {n[3] for n in piece.notes}
    lag = {p: 0.0 if strict else float(rng.normal(0, jitter * 0.5)) for p in parts}
    axis = np.arange(len(times))
    last = times[-1] - times[-2]
    at = lambda b: float(np.interp(b, axis, times) + max(b - axis[-1], 0) * last)  # noqa: E731
    shape = 1.0 + 0.25 * np.sin(np.arange(len(times)) / rng.uniform(4, 12))
    out = []
    for beat, long, pitch, part, loud in piece.notes:
        x = _swung(beat, piece.swing) + piece.late.get(part, 0.0)
        start = at(x) + lag[part] + float(rng.normal(0, jitter))
        end = max(start + 0.04, at(_swung(beat + long, piece.swing)))
        level = loud * (
            1.0 if strict else float(shape[min(int(beat), len(shape) - 1)] * np.exp(rng.normal(0, 0.12)))
        )
        out.append((start, end, pitch, part, level))
    return out


def treated(rng: Rng, x: np.ndarray, live: bool) -> np.ndarray:
    """Room, tone control, limiter [shape=(n, 2)]."""
    if live and rng.random() < 0.6:
        t = np.arange(int(rng.uniform(0.15, 1.4) * RATE)) / RATE
        tail = rng.standard_normal((len(t), 2)) * np.exp(-6.9 * t / t[-1])[:, None]
        tail *= rng.uniform(0.02, 0.5) / np.sqrt((tail**2).sum(axis=0))
        wet = np.stack([fftconvolve(x[:, k], tail[:, k])[: len(x)] for k in (0, 1)], axis=1)
        x = x + wet
    if rng.random() < 0.5:
        a = float(rng.uniform(-0.6, 0.6))
        x = lfilter([1.0, -a], [1.0], x, axis=0)
    x = x / max(float(np.percentile(np.abs(x), 99.5)), 1e-6)
    drive = float(rng.choice([0.5, 1.0, 1.0, 2.0, 4.0, 8.0] if live else [0.5, 1.0, 1.0, 2.0]))
    x = np.tanh(drive * x) / drive
    if live and rng.random() < 0.4:
        x = x + rng.standard_normal(x.shape) * 10 ** (rng.uniform(-66, -38) / 20)
    out: np.ndarray = (0.9 * x / max(float(np.abs(x).max()), 1e-6)).astype(np.float32)
    return out


def through_mp3(x: np.ndarray, rate: int) -> np.ndarray:
    """What a lossy coder leaves of the samples; a codec's delay is taken off [shape of x]."""
    stream = io.BytesIO()
    soundfile.write(stream, x, rate, format="MP3")
    stream.seek(0)
    y, _ = soundfile.read(stream, dtype="float32", always_2d=True)
    out = np.zeros_like(x)
    out[: len(y)] = y[: len(x)]
    return out


def make(
    seed: int, origin: str | None, scores: list[dict[str, Any]], fonts: list[Path]
) -> tuple[np.ndarray, int, dict[str, Any]]:
    """Samples, rate and truth of one excerpt."""
    rng = np.random.default_rng([seed, 77])
    origin = origin or str(rng.choice(ORIGINS, p=SHARES))
    live = origin != "sequence"
    short, long = ((15, 24), (28, 45)) if live else ((28, 50), (60, 100))
    seconds = float(rng.uniform(*(short if rng.random() < 0.8 else long)))
    piece = draw_piece(rng, origin, scores, seconds + 6)
    times, constant = beat_times(rng, piece, origin)
    notes = performed(rng, piece, times, origin)
    whole = rng.random() < (0.25 if live else 0.7) and origin != "none"
    before = 0.0
    if whole and origin == "band" and rng.random() < 0.4:
        step = times[1] - times[0]
        stick = int(rng.choice([RIM, HAT]))
        notes += [(-step * k, -step * k + 0.1, stick, DRUMS, 0.7) for k in range(piece.beats, 0, -1)]
        before = step * piece.beats
    shift = before + (float(rng.uniform(0.0, 1.0)) if whole else 0.1)
    notes = [(a + shift, b + shift, p, c, v) for a, b, p, c, v in notes]
    beats = times[:-1] + shift
    start = (
        0.0 if whole else shift + float(rng.uniform(0, 2 * piece.beats)) * float(np.median(np.diff(times)))
    )
    seconds = min(seconds, float(beats[-1]) - start + 0.5)
    cents = (
        0.0
        if rng.random() < 0.4
        else float(rng.normal(0, 18) if rng.random() < 0.8 else rng.uniform(-50, 50))
    )
    frames = int((start + seconds + 0.1) * RATE)
    font = fonts[int(rng.integers(len(fonts)))]
    if not live and rng.random() < 0.35:
        x = play_chip(rng, notes, frames, RATE, cents)
    elif origin == "band" and rng.random() < MIXED:
        x = on_record(rng, piece, notes, cents, font, frames)
    else:
        with tempfile.TemporaryDirectory() as folder:
            midi = Path(folder) / "a.mid"
            write_midi(rng, piece, notes, cents, midi)
            x = play(midi, font, frames)
    x = treated(rng, x, live)[int(start * RATE) : int((start + seconds) * RATE)]
    rate = RATE
    if rng.random() < (0.8 if live else 0.4):
        x = x.mean(axis=1, keepdims=True)
        if live or rng.random() < 0.5:
            rate = 22050
            x = soxr.resample(x, RATE, rate)
    if rng.random() < CODED:
        x = through_mp3(x, rate)
    return x, rate, _truth(piece, origin, beats - start, len(x) / rate, constant) | _key(piece, cents)


def _key(piece: Piece, cents: float) -> dict[str, Any]:
    if piece.key is None:
        return {"key_tonic": None, "key_mode": None, "key_ok": None, "tuning_cents": None, "blues": False}
    tonic, mode = tonic_name(*piece.key), piece.key[1]
    return {
        "key_tonic": tonic, "key_mode": mode, "key_ok": [f"{tonic} {mode}"], "tuning_cents": cents,
        "blues": piece.blues,
    }  # fmt: skip


def _truth(piece: Piece, origin: str, beats: np.ndarray, seconds: float, constant: bool) -> dict[str, Any]:
    down = np.arange(len(beats)) % piece.group == 0
    inside = (beats >= -0.02) & (beats < seconds)
    beats, down = beats[inside], down[inside]
    none = origin == "none"
    bpm = None if none else 60.0 / float(np.median(np.diff(beats)))
    return {
        "genre": piece.family, "category": origin, "tempo_bpm": bpm,
        "constant_tempo": None if none else constant,
        "tempo_ok": [] if bpm is None else [bpm, *(bpm * k for k in piece.levels)], "tempo_changes": (),
        "meter": None if none or piece.meter in ("9/8", "3/2", "2/4", "2/2", "4/2") else piece.meter,
        "beats_per_bar": None if none else piece.beats, "duration_s": seconds,
        "beats": [] if none else [[round(float(t), 5), int(d)] for t, d in zip(beats, down, strict=True)],
        "first_downbeat_s": None if none or not down.any() else float(beats[down][0]), "drums_in_s": None,
    }  # fmt: skip


def read_scores(path: Path, held_out: bool) -> list[dict[str, Any]]:
    with gzip.open(path, "rt") as stream:
        every: list[dict[str, Any]] = json.load(stream)
    return [s for s in every if (zlib.crc32(s["name"].encode()) % 5 == 0) == held_out]


def _one(job: tuple[int, str | None, Path, bool, list[Path], Path]) -> str:
    seed, origin, scores, held_out, fonts, out = job
    x, rate, truth = make(seed, origin, read_scores(scores, held_out), fonts)
    name = f"p{seed:07d}.flac"
    soundfile.write(out / name, x, rate, subtype="PCM_16")
    return json.dumps({"file": name, **truth})


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("--scores", type=Path, required=True)
    p.add_argument("--soundfont", type=Path, required=True, nargs="+")
    p.add_argument("--count", type=int, default=20)
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--jobs", type=int, default=1)
    p.add_argument("--origin", choices=ORIGINS)
    p.add_argument("--held-out", action="store_true")
    a = p.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    jobs = [(s, a.origin, a.scores, a.held_out, a.soundfont, a.out) for s in range(a.seed, a.seed + a.count)]
    with (a.out / "truth.jsonl").open("w", encoding="utf-8") as truth, ProcessPoolExecutor(a.jobs) as pool:
        for line in pool.map(_one, jobs):
            truth.write(line + "\n")
            truth.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
