"""Spoken and sung phrases, and lines of instruments that glide as voices do, for `voice_fit.py`.

    python -m tests.training.voice_phrases OUT.npz [--speech FOLDER...] [--count 2000] [--seed 1] [--jobs 2]

Speech: recorded talk (folders of audio files, a talker each) and whatever synthesisers of speech are
installed (espeak-ng, flite, festival), reading words drawn at random. Half of it is made to sing or to rap:
analysed with WORLD (Morise et al., IEICE Trans. E99-D, 2016; pyworld), its pitch replaced by a melody with
glides and vibrato, its syllables drawn out to the notes. Every phrase gets an effect that vocals have on
records: room, echo, doubling, a telephone's band, saturation. `--kinds talking singing` are voices by
formant synthesis. The other lines are played by General MIDI instruments through a soundfont, with pitch
bends, or by oscillators, under the same effects: what a listener to voices must not take for one.

OUT holds the narrow bands (`analyzers.signal.voice.voice_bands`, powers in dB as whole half-decibels) of
every phrase one after the other: `bands` [shape=(n, BANDS)], `length`, `active` (frames in which it sounds),
`origin` (talker and kind).
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pyworld
import soxr
from scipy.signal import butter, fftconvolve, sosfilt

from analyzers.signal.voice import voice_bands
from tests.training.voice_lines import RATE, at_rate, formant_voice, melody, played_line, read, wave_line

Rng = np.random.Generator
FRAME_MS = 5.0
TEXT = (
    "money time night love street light never always water fire heart city summer baby honey down up yeah "
    "producer exclusive brand new hit studio listen check this one two three four come on everybody hey what "
    "they said about me was not true I will be there when morning comes again we run through open fields "
    "golden shadow river stone winter table window market garden silver paper mountain ocean little people "
    "under over after before someone somewhere leaving holding breaking dancing waiting turning falling"
)
WORDS = TEXT.split(" ")
ESPEAK = ("en-us", "en-gb", "en-gb-scotland", "de", "fr-fr", "es", "pt-br", "it", "pl", "nl", "sv", "tr",
          "ru", "hi", "sw", "id")  # fmt: skip
ESPEAK_KINDS = ("", "+m1", "+m3", "+m5", "+m7", "+f1", "+f2", "+f3", "+f4", "+f5", "+klatt",
                "+croak", "+whisper")  # fmt: skip
FLITE = ("kal16", "awb", "rms", "slt")
FESTIVAL = ("kal_diphone", "cmu_us_slt_arctic_hts", "czech_ph", "pc_diphone", "lp_diphone",
            "hy_fi_mv_diphone")  # fmt: skip


def synthesised(rng: Rng, which: str) -> tuple[np.ndarray, str]:
    """A sentence of drawn words, and who says it."""
    text = " ".join(rng.choice(WORDS, int(rng.integers(2, 12))))
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "x.wav"
        if which == "espeak":
            voice = f"{rng.choice(ESPEAK)}{rng.choice(ESPEAK_KINDS)}"
            speed, pitch = int(rng.integers(120, 230)), int(rng.integers(10, 90))
            command = ["espeak-ng", "-v", voice, "-s", str(speed), "-p", str(pitch), "-w", str(out), text]
        elif which == "flite":
            voice = str(rng.choice(FLITE))
            command = ["flite", "-voice", voice, "-t", text, "-o", str(out)]
        else:
            voice = str(rng.choice(FESTIVAL))
            command = ["text2wave", "-eval", f"(voice_{voice})", "-o", str(out)]
        subprocess.run(command, input=text.encode(), check=True, stdout=-3, stderr=-3, timeout=60)
        x, rate = read(out)
    return at_rate(x, rate), f"{which}-{voice}"


def utterances(rng: Rng, paths: list[Path], seconds: float) -> np.ndarray:
    """Recorded utterances one after the other, about so long."""
    parts, length = [], 0
    while length < seconds * RATE:
        x = at_rate(*read(paths[rng.integers(len(paths))]))
        parts.append(x / max(np.abs(x).max(), 1e-6))
        length += len(x)
    start = int(rng.integers(0, max(length - int(seconds * RATE), 0) + 1))
    return np.concatenate(parts)[start : start + int(seconds * RATE)]


def analysed(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pitch in Hz (0: unvoiced), envelope and breathiness, a row every `FRAME_MS`."""
    x = np.ascontiguousarray(x, dtype=np.float64)
    f0, t = pyworld.dio(x, RATE, frame_period=FRAME_MS)
    f0 = pyworld.stonemask(x, f0, t, RATE)
    return f0, pyworld.cheaptrick(x, f0, t, RATE), pyworld.d4c(x, f0, t, RATE)


def sung(rng: Rng, x: np.ndarray) -> np.ndarray:
    """The phrase on a melody, its voiced sounds drawn out."""
    f0, spectrum, breath = analysed(x)
    voiced = f0 > 0
    if voiced.sum() < 20:
        return x
    pace = np.where(voiced, 1 / float(rng.uniform(1.0, 3.0)), 1 / float(rng.uniform(0.7, 1.2)))
    source = np.interp(np.arange(0, (1 / pace).sum()), np.cumsum(1 / pace), np.arange(len(f0)))
    k = np.round(source).astype(int)
    centre = 12 * np.log2(np.median(f0[voiced]) / 440) + 69 + float(rng.uniform(-2, 9))
    line = melody(rng, len(k) * FRAME_MS / 1000, centre - 9, centre + 9, FRAME_MS / 1000)[: len(k)]
    hz = np.where(voiced[k], 440 * 2 ** ((line - 69) / 12), 0.0)
    warp = float(np.exp(rng.normal(0, 0.07)))
    bins = np.minimum(np.arange(spectrum.shape[1]) / warp, spectrum.shape[1] - 1).astype(int)
    envelope = np.ascontiguousarray(spectrum[:, bins])
    breath = np.clip(breath * float(rng.uniform(0.7, 1.3)), 1e-6, 1.0)
    return np.asarray(pyworld.synthesize(hz, envelope[k], breath[k], RATE, FRAME_MS))


def rapped(rng: Rng, x: np.ndarray) -> np.ndarray:
    """The phrase hurried, its pitch flatter and moved."""
    f0, spectrum, breath = analysed(x)
    if (f0 > 0).sum() < 20:
        return x
    mean = np.median(f0[f0 > 0])
    hz = np.where(f0 > 0, mean * (np.maximum(f0, 1) / mean) ** float(rng.uniform(0.2, 1.2)), 0)
    hz *= 2 ** float(rng.uniform(-0.4, 0.4))
    k = np.arange(0, len(f0), float(rng.uniform(0.8, 1.5))).astype(int)
    return np.asarray(pyworld.synthesize(hz[k], spectrum[k], breath[k], RATE, FRAME_MS))


def with_effect(rng: Rng, x: np.ndarray) -> np.ndarray:
    """As vocals sound on records."""
    x = x / max(np.abs(x).max(), 1e-9)
    if rng.random() < 0.3:
        x = np.tanh(x * float(rng.uniform(1, 6)))
    if rng.random() < 0.15:
        x = sosfilt(
            butter(
                2,
                [float(rng.uniform(250, 600)), float(rng.uniform(2200, 4000))],
                "band",
                fs=RATE,
                output="sos",
            ),
            x,
        )
    if rng.random() < 0.3:
        late = int(rng.uniform(0.008, 0.03) * RATE)
        wobble = soxr.resample(x, RATE, RATE * 2 ** float(rng.normal(0, 0.01)))[: len(x)]
        x[late : late + len(wobble)] += 0.8 * wobble[: max(len(x) - late, 0)]
    if rng.random() < 0.3:
        gap, left = int(rng.uniform(0.12, 0.5) * RATE), float(rng.uniform(0.2, 0.6))
        x = np.concatenate([x, np.zeros(3 * gap)])
        for k in (1, 2, 3):
            x[k * gap :] += left**k * x[: len(x) - k * gap]
    if rng.random() < 0.6:
        length = float(rng.uniform(0.2, 2.5))
        t = np.arange(int(length * RATE)) / RATE
        tail = rng.standard_normal(len(t)) * np.exp(-6.9 * t / length)
        wet = fftconvolve(x, tail)[: len(x) + len(t) // 2]
        share = float(rng.uniform(0.05, 0.5)) * np.sqrt((x**2).sum() / max((wet**2).sum(), 1e-12))
        x = np.pad(x, (0, len(wet) - len(x))) + share * wet
    return np.asarray(x)


def active_frames(bands: np.ndarray) -> np.ndarray:
    """Frames within 25 dB of the phrase's loud ones; gaps under 0.3 s are closed."""
    loud = 10 * np.log10(np.sum(10 ** (bands / 10), axis=1) + 1e-12)
    on = loud > np.percentile(loud, 95) - 25
    at = np.flatnonzero(on)
    for a, b in itertools.pairwise(at):
        if b - a < 15:
            on[a:b] = True
    return on


def phrase(rng: Rng, kind: str, seconds: float, folders: list[Path]) -> tuple[np.ndarray, str]:
    """Dry speech, rap or song of about so long [shape=(n,)], and who it is."""
    if not folders or rng.random() < 0.4:
        x, who = synthesised(rng, str(rng.choice(["espeak", "espeak", "flite", "festival"])))
    else:
        folder = folders[rng.integers(len(folders))]
        paths = sorted(p for p in folder.rglob("*") if p.suffix in (".wav", ".ogg", ".g722", ".flac"))
        x, who = utterances(rng, paths, seconds), folder.name
    change: dict[str, Callable[[Rng, np.ndarray], np.ndarray]] = {"sung": sung, "rap": rapped}
    if kind in change:
        x = change[kind](rng, x + 1e-7 * rng.standard_normal(len(x)))
    return x, who


def make(
    seed: int, kinds: list[str], folders: list[Path], soundfont: Path | None
) -> tuple[np.ndarray, np.ndarray, str]:
    """Bands in dB [shape=(n, BANDS)], active frames, origin."""
    rng = np.random.default_rng(seed)
    kind = str(rng.choice(kinds))
    seconds = float(rng.choice([rng.uniform(1, 3), rng.uniform(3, 9)]))
    if kind in ("talking", "singing"):
        x, who = formant_voice(rng, seconds, kind == "singing"), f"formants{seed % 40}"
    elif kind != "line":
        x, who = phrase(rng, kind, seconds, folders)
    elif soundfont is not None and rng.random() < 0.5:
        x, who = played_line(rng, seconds, soundfont), "played"
    else:
        x, who = wave_line(rng, seconds), "wave"
    bands = voice_bands(with_effect(rng, x).astype(np.float32), RATE).T
    return bands, active_frames(bands), f"{kind}:{who}"


def _safe(args: tuple[int, list[str], list[Path], Path | None]) -> tuple[np.ndarray, np.ndarray, str] | None:
    try:
        return make(*args)
    except (subprocess.SubprocessError, RuntimeError, ValueError, OSError) as e:
        print(f"seed {args[0]}: {e!r}", file=sys.stderr)
        return None


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--speech", type=Path, nargs="*", default=[])
    parser.add_argument("--soundfont", type=Path)
    parser.add_argument("--kinds", nargs="+", default=["speech", "speech", "rap", "sung", "sung", "line"])
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    a = parser.parse_args()
    jobs = [(a.seed * 1_000_000 + k, a.kinds, a.speech, a.soundfont) for k in range(a.count)]
    with ProcessPoolExecutor(a.jobs) as pool:
        found = [p for p in pool.map(_safe, jobs, chunksize=8) if p is not None]
    np.savez_compressed(
        a.out,
        bands=np.round(2 * np.concatenate([b for b, *_ in found])).astype(np.int16),
        length=np.array([len(b) for b, *_ in found]),
        active=np.concatenate([on for _, on, _ in found]),
        origin=np.array([o for *_, o in found]),
    )
    print(f"{len(found)} phrases")
    return 0


if __name__ == "__main__":
    sys.exit(main())
