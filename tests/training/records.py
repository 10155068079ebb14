"""A band as a record has it: drums, amplified guitars, other parts and voices apart, then mixed and worn.

Guitars go through a driven amplifier (their chords beat against each other in it, as a sampled single note
never does); drums and voices may be far louder than the harmony; now and then the whole is an old record: a
narrow band, hiss, crackle and a turntable that wavers. Common practice of mixing; drawn wide.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from analyzers.harmony.spelling import SCALES
from tests.training.corpus_soundfont import RATE, play
from tests.training.midi_notes import write_midi
from tests.training.played_notes import DRUMS, Piece
from tests.training.voices import Timed, spoken, sung

Rng = np.random.Generator
AMPLIFIED = {"rock": 0.75, "metal": 0.97, "blues": 0.6, "funk": 0.2, "pop": 0.3, "country": 0.25,
             "reggae": 0.15}  # fmt: skip
SUNG = {"rock": 0.7, "pop": 0.8, "blues": 0.7, "country": 0.75, "disco": 0.7, "reggae": 0.7, "soul": 0.7,
        "hiphop": 0.25, "metal": 0.35, "jazz": 0.15, "funk": 0.5, "ballad": 0.7, "bossa": 0.4, "waltz": 0.3,
        "strum": 0.6, "keys": 0.4}  # fmt: skip
TALKED = {"hiphop": 0.6, "reggae": 0.1, "metal": 0.35, "funk": 0.1}
WORN = {"blues": 0.3, "jazz": 0.3, "country": 0.25, "reggae": 0.15, "soul": 0.15, "waltz": 0.15}
WORN_ELSE, TWO_VOICES, EQUALISED = 0.08, 0.3, 0.6
PLAIN_GUITARS = (26, 27, 27, 28)  # General MIDI, from 0: what is plugged into the amplifier


def on_record(
    rng: Rng, piece: Piece, notes: list[Timed], cents: float, font: Path, frames: int
) -> np.ndarray:
    """The mix [shape=(frames, 2)] of `notes` (of all parts) before the room and the limiter."""
    genre, line = piece.family, piece.line
    voice = line is not None and rng.random() < SUNG.get(genre, 0.0)
    guitar = piece.programs[0] in range(24, 32) and rng.random() < AMPLIFIED.get(genre, 0.1)
    apart = {DRUMS} | ({line} if voice else set()) | ({0} if guitar else set())
    rest = [n for n in notes if n[3] not in apart]
    mix = _level(_played(rng, piece, rest, cents, font, frames))
    if guitar:
        programs = list(piece.programs)
        piece.programs[0] = int(rng.choice(PLAIN_GUITARS))
        x = _played(rng, piece, [n for n in notes if n[3] == 0], cents, font, frames)
        piece.programs[:] = programs
        mix = mix + _level(amplified(rng, x, genre)) * _db(rng, -4, 8)
    if voice:
        mine = [n for n in notes if n[3] == line]
        x = sung(rng, mine, frames, RATE, cents, piece.blues or genre in ("soul", "funk"))
        mix = mix + _level(_doubled(rng, x)) * _db(rng, -3, 9)
        if rng.random() < TWO_VOICES:
            x = sung(rng, _above(rng, piece, mine), frames, RATE, cents, False)
            mix = mix + _level(_doubled(rng, x)) * _db(rng, -9, 2)
    if rng.random() < TALKED.get(genre, 0.0):
        x = spoken(rng, _syllables(rng, notes), frames, RATE)
        mix = mix + _level(_doubled(rng, x)) * _db(rng, 0, 10)
    hits = [n for n in notes if n[3] == DRUMS]
    if hits:
        mix = mix + _level(_played(rng, piece, hits, 0.0, font, frames)) * _db(rng, -6, 10)
    if rng.random() < EQUALISED:
        mix = equalised(rng, mix)
    return worn(rng, mix) if rng.random() < WORN.get(genre, WORN_ELSE) else mix


def equalised(rng: Rng, x: np.ndarray) -> np.ndarray:
    """Two broad bells up or down: bells of R. Bristow-Johnson's "Audio EQ Cookbook" [shape=(n, 2)]."""
    for low, high in ((60, 400), (500, 4000)):
        w = 2 * np.pi * float(np.exp(rng.uniform(np.log(low), np.log(high)))) / RATE
        gain, alpha = 10 ** (float(rng.uniform(-10, 10)) / 40), np.sin(w) / (2 * rng.uniform(0.4, 1.5))
        b = np.array([1 + alpha * gain, -2 * np.cos(w), 1 - alpha * gain])
        a = np.array([1 + alpha / gain, -2 * np.cos(w), 1 - alpha / gain])
        x = lfilter(b / a[0], a / a[0], x, axis=0)
    return np.asarray(x)


def _above(rng: Rng, piece: Piece, notes: list[Timed]) -> list[Timed]:
    """The line a third or a sixth above in the scale."""
    tonic, mode = piece.key or (0, "major")
    scale = {(tonic + s) % 12 for s in SCALES[mode]}
    wide = (3, 4) if rng.random() < 0.7 else (8, 9)
    return [(a, b, p + next((w for w in wide if (p + w) % 12 in scale), wide[0]), c, v)
            for a, b, p, c, v in notes]  # fmt: skip


def amplified(rng: Rng, x: np.ndarray, genre: str) -> np.ndarray:
    """Through a driven amplifier and a loudspeaker [shape=(n, 2)]."""
    low, high = float(rng.uniform(60, 160)), float(rng.uniform(3000, 6500))
    x = lfilter([1.0, -1.0], [1.0, -np.exp(-2 * np.pi * low / RATE)], x.mean(axis=1))
    x = x / max(float(np.percentile(np.abs(x), 99)), 1e-9)
    most = 60.0 if genre == "metal" else 25.0
    drive, bias = float(np.exp(rng.uniform(np.log(2), np.log(most)))), float(rng.uniform(0, 0.3))
    x = np.tanh(drive * x + bias) - np.tanh(bias)
    x = sosfilt(butter(2, high, fs=RATE, output="sos"), x)
    return _doubled(rng, x)


def worn(rng: Rng, x: np.ndarray) -> np.ndarray:
    """As an old record sounds: narrow, hissing, crackling, wavering [shape=(n, 2)]."""
    band = float(rng.uniform(60, 300)), float(rng.uniform(2800, 7000))
    x = sosfilt(butter(2, band, "bandpass", fs=RATE, output="sos"), x, axis=0)
    x = np.repeat(x.mean(axis=1, keepdims=True), 2, axis=1)
    n = len(x)
    size = float(np.sqrt(np.mean(x**2)))
    clicks = (rng.random(n) < rng.uniform(2, 40) / RATE) * rng.normal(0, 4, n)
    x = x + size * (10 ** (rng.uniform(-45, -24) / 20) * rng.standard_normal(n) + clicks)[:, None]
    t = np.arange(n)
    turn = 2 * np.pi * float(rng.choice([33.3, 45.0, 78.0])) / 60 / RATE
    at = t + rng.uniform(0, 0.0025) / turn * np.sin(turn * t + rng.uniform(0, 6.3))
    return np.stack([np.interp(at, t, x[:, k]) for k in (0, 1)], axis=1)


def _played(rng: Rng, piece: Piece, notes: list[Timed], cents: float, font: Path, frames: int) -> np.ndarray:
    if not notes:
        return np.zeros((frames, 2))
    with tempfile.TemporaryDirectory() as folder:
        midi = Path(folder) / "a.mid"
        write_midi(rng, piece, notes, cents, midi)
        return play(midi, font, frames).astype(np.float64)


def _syllables(rng: Rng, notes: list[Timed]) -> list[Timed]:
    """Three to eight to a second, in lines with pauses between them."""
    end = max(n[1] for n in notes)
    step = float(rng.uniform(0.12, 0.28))
    times = [k * step for k in range(int(end / step)) if k % 16 < 12 and rng.random() < 0.85]
    return [(t, t + step, 60, 0, float(rng.uniform(0.6, 1.0))) for t in times]


def _level(x: np.ndarray) -> np.ndarray:
    """To the level at which the louder tenth of it has size 1."""
    size = np.abs(x).mean(axis=1)
    loud = float(np.percentile(size, 90))
    return np.asarray(x / loud) if loud > 1e-6 else x


def _doubled(rng: Rng, x: np.ndarray) -> np.ndarray:
    """One signal on two channels, off the middle and a little late on one side."""
    late = x
    if rng.random() < 0.4:
        gap = int(rng.integers(1, 600))
        late = np.concatenate([np.zeros(gap), x[:-gap]])
    pan = float(rng.uniform(0.3, 0.7))
    return np.stack([x * pan, late * (1 - pan)], axis=1)


def _db(rng: Rng, low: float, high: float) -> float:
    return float(10 ** (rng.uniform(low, high) / 20))
