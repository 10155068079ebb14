"""Single lines for `voice_phrases.py`: of a voice by formant synthesis, of synthesisers, of instruments.

A melody glides, scoops and trembles; who plays it is a glottal source through moving resonances, oscillators
through a moving filter, or a General MIDI instrument with pitch bends.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import mido
import numpy as np
import soundfile as sf
import soxr
from scipy.signal import butter, lfilter, sosfilt

Rng = np.random.Generator
RATE = 44100
# men's first three resonances in Hz, Peterson and Barney, J. Acoust. Soc. Am. 24 (1952)
VOWELS = ((270, 2290, 3010), (390, 1990, 2550), (530, 1840, 2480), (660, 1720, 2410), (730, 1090, 2440),
          (570, 840, 2410), (440, 1020, 2240), (300, 870, 2240), (640, 1190, 2390),
          (490, 1350, 1690))  # fmt: skip
SCALES = ((0, 2, 4, 7, 9), (0, 3, 5, 7, 10), (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10))
LINE_PROGRAMS = (22, 29, 30, 40, 41, 42, 48, 56, 57, 59, 60, 61, 64, 65, 66, 67, 68, 71, 73, 74, 75, 77, 78,
                 79, 80, 81, 82, 83, 84, 86, 87, 104, 109, 110)  # fmt: skip


def read(path: Path) -> np.ndarray:
    if path.suffix == ".g722":
        raw = subprocess.run(
            ["ffmpeg", "-v", "error", "-i", str(path), "-f", "s16le", "-ac", "1", "-ar", "16000", "-"],
            capture_output=True, check=True,
        ).stdout  # fmt: skip
        return np.frombuffer(raw, np.int16).astype(np.float64) / 32768, 16000
    x, rate = sf.read(path, always_2d=True)
    return x.mean(axis=1), rate


def at_rate(x: np.ndarray, rate: int) -> np.ndarray:
    return np.asarray(soxr.resample(x, rate, RATE)) if rate != RATE else x


def melody(rng: Rng, seconds: float, low: float, high: float, step_s: float) -> np.ndarray:
    """MIDI notes of a line in a scale, gliding, scooping and trembling [one every `step_s`]."""
    scale, tonic = SCALES[rng.integers(len(SCALES))], int(rng.integers(12))
    notes = [n for n in range(int(low), int(high)) if (n - tonic) % 12 in scale]
    k, at, beat = len(notes) // 2, 0.0, float(rng.uniform(0.3, 0.7))
    n = int(seconds / step_s) + 1
    target, since = np.empty(n), np.empty(n)
    while at < seconds:
        length = beat * float(rng.choice([0.5, 0.5, 1, 1, 1.5, 2, 4]))
        k = int(np.clip(k + rng.integers(-3, 4), 0, len(notes) - 1))
        a, b = int(at / step_s), min(int((at + length) / step_s) + 1, n)
        target[a:b], since[a:b] = notes[k], np.arange(b - a) * step_s
        at += length
    glide = float(rng.choice([0.002, 0.02, 0.04, 0.08]))
    a = float(np.exp(-step_s / glide))
    curve = lfilter([1 - a], [1, -a], target - target[0]) + target[0]
    depth, speed = float(rng.choice([0, 0.2, 0.4, 0.8])), float(rng.uniform(4.5, 6.5))
    late = np.clip((since - 0.2) / 0.2, 0, 1)
    return np.asarray(curve + depth * late * np.sin(2 * np.pi * speed * np.arange(n) * step_s))


def formant_voice(rng: Rng, seconds: float, sings: bool) -> np.ndarray:
    """Syllables by formant synthesis: a glottal source through resonances that move from vowel to vowel.

    Resonances: Peterson and Barney, J. Acoust. Soc. Am. 24 (1952), men's means; others lie up to a third
    higher. Consonants are closures, bursts, hisses and hums.
    """
    n, at = int(seconds * RATE), 0
    out = np.zeros(n + RATE)
    centre, scale = float(rng.uniform(45, 68)), float(rng.uniform(0.95, 1.3))
    line = melody(rng, seconds + 1, centre - 8, centre + 8, 1 / RATE)
    tilt, breath, width = (
        float(rng.uniform(0.8, 0.97)),
        float(rng.uniform(0.005, 0.15)),
        float(rng.uniform(0.6, 2.0)),
    )
    pace = float(rng.uniform(0.15, 0.6) if sings else rng.uniform(0.1, 0.25))
    resonances = int(rng.integers(3, 6))
    while at < n:
        length = int(pace * float(rng.choice([0.5, 1, 1, 1, 2])) * RATE)
        length = max(min(length, n - at + RATE // 2), 900)
        t = np.linspace(0, 1, length)
        if sings:
            notes = line[at : at + length] if len(line) >= at + length else np.full(length, centre)
        else:
            notes = centre - 8 + rng.normal(0, 2) + rng.normal(0, 3) * t
        phase = np.cumsum(440 * 2 ** ((notes - 69) / 12)) / RATE
        source = lfilter(
            [1], [1, -tilt], [2 * (phase % 1) - 1, (phase % 1 < 0.1) - 0.1][int(rng.integers(2))]
        )
        source = source / np.std(source) + breath * rng.standard_normal(length)
        first, last = (np.array(VOWELS[rng.integers(len(VOWELS))]) * scale for _ in range(2))
        vowel = (1 - t) * _resonated(source, first, width, resonances) + t * _resonated(
            source, last, width, resonances
        )
        shape = np.minimum(t * length / RATE / 0.02, 1) * np.clip((1 - t) * length / RATE / 0.03, 0, 1)
        out[at : at + length] += (vowel * shape / max(np.std(vowel), 1e-9))[: len(out) - at]
        kind, size = int(rng.integers(5)), int(rng.uniform(0.015, 0.12) * RATE)
        if kind < 2:
            noise = rng.standard_normal(size) * np.hanning(size) * float(rng.uniform(0.1, 1.0))
            low = float(rng.uniform(800, 5000))
            hiss = sosfilt(butter(1, [low, min(2 * low, 15000)], "band", fs=RATE, output="sos"), noise)
            a = max(at - size // 2, 0)
            out[a : a + size] += hiss[: len(out) - a]
        gap = 0 if rng.random() < 0.6 else int(rng.uniform(0.02, 0.3 if rng.random() < 0.2 else 0.06) * RATE)
        at += length + gap
    return np.asarray(out[:n])


def _resonated(source: np.ndarray, hz: np.ndarray, width: float, count: int) -> np.ndarray:
    """Through `count` resonances side by side, the higher ones weaker."""
    out = np.zeros(len(source))
    centres = [*hz, 3500.0 * hz[2] / 2500, 4400.0 * hz[2] / 2500][:count]
    for k, centre in enumerate(centres):
        r = np.exp(-np.pi * width * (70 + 40 * k) / RATE)
        out += lfilter([0.6**k * (1 - r)], [1, -2 * r * np.cos(2 * np.pi * centre / RATE), r * r], source)
    return out


def wave_line(rng: Rng, seconds: float) -> np.ndarray:
    """A synthesiser's line, bass, pad or riser: oscillators, a filter that moves, drive."""
    n = int(seconds * RATE)
    if rng.random() < 0.1:
        return _filtered(rng, rng.standard_normal(n), np.linspace(0, 1, n) ** float(rng.uniform(0.5, 3)))
    low = float(rng.choice([28, 40, 52, 64]))
    line = melody(rng, seconds, low, low + 24, 1 / RATE)[:n]
    chord = rng.choice([0, 0, 0, 1, 2])
    steps = [[0.0], [0.0, 7.0], [0.0, float(rng.choice([3, 4])), 7.0]][chord]
    x = np.sum([_oscillator(rng, line + step) for step in steps], axis=0)
    length = int(rng.choice([0.15, 0.25, 0.5, 1.0, 2.0]) * RATE)
    since = np.arange(n) % length / RATE
    decay = np.exp(-since / float(rng.uniform(0.05, 0.6)))
    tremble = 0.5 + 0.5 * np.sin(2 * np.pi * float(rng.uniform(0.2, 8)) * np.arange(n) / RATE)
    x = _filtered(rng, x, [decay, tremble, np.full(n, rng.random())][rng.integers(3)])
    if rng.random() < 0.4:
        x = np.tanh(x / np.std(x) * float(rng.uniform(0.5, 4)))
    if rng.random() < 0.4:
        x = x * decay
    gate = np.repeat(rng.random(n // length + 1) < float(rng.uniform(0.5, 1.0)), length)[:n]
    return np.asarray(x * lfilter([0.002], [1, -0.998], gate))


def _oscillator(rng: Rng, line: np.ndarray) -> np.ndarray:
    """One of the usual waves at the notes `line`."""
    phase = np.cumsum(440 * 2 ** ((line - 69) / 12)) / RATE
    kind = int(rng.integers(6))
    if kind == 0:
        return np.asarray(np.sin(2 * np.pi * phase))
    if kind == 1:  # frequency modulation
        side = np.sin(2 * np.pi * phase * float(rng.choice([0.5, 1, 2, 3, 7])))
        return np.asarray(np.sin(2 * np.pi * phase + float(rng.uniform(0.5, 6)) * side))
    saws = [2 * ((phase * d) % 1) - 1 for d in (1.0, 1.006, 0.994)[: 3 if kind == 2 else 1]]
    if kind == 3:
        return np.asarray(np.sign(saws[0] + float(rng.uniform(-0.7, 0.7))))
    return np.asarray(2 * np.abs(saws[0]) - 1 if kind == 4 else np.sum(saws, axis=0))


def _filtered(rng: Rng, x: np.ndarray, opened: np.ndarray) -> np.ndarray:
    """Through a low-pass or a resonance that is as far open as `opened` says, from 0 to 1."""
    bounds = np.sort(np.exp(rng.uniform(np.log(150), np.log(9000), 2)))
    at = np.geomspace(*bounds, 3)
    peak = rng.random() < 0.3
    parts = [
        sosfilt(butter(1, [hz / 1.2, hz * 1.2], "band", fs=RATE, output="sos") if peak
                else butter(2, hz, fs=RATE, output="sos"), x)
        for hz in at
    ]  # fmt: skip
    share = np.clip(1 - np.abs(2 * opened - np.arange(3)[:, None]), 0, 1)
    return np.asarray(np.sum(share * parts, axis=0))


def played_line(rng: Rng, seconds: float, soundfont: Path) -> np.ndarray:
    """A melody on one instrument, with bends and vibrato, through a soundfont."""
    program = int(rng.choice(LINE_PROGRAMS))
    line = melody(rng, seconds, 52, 84, 0.01)
    track = mido.MidiTrack([mido.Message("program_change", program=program)])
    track += [mido.Message("control_change", control=c, value=v) for c, v in ((101, 0), (100, 0), (6, 12))]
    held, clock = None, 0
    for n in line:
        clock += 1
        if held is None or (abs(n - held) > 0.6 and rng.random() < 0.3):
            if held is not None:
                track.append(mido.Message("note_off", note=held, time=clock))
                clock = 0
            held = round(n)
            track.append(mido.Message("note_on", note=held, velocity=int(rng.integers(70, 125)), time=clock))
            clock = 0
        bend = int(np.clip((n - held) / 12 * 8192, -8192, 8191))
        track.append(mido.Message("pitchwheel", pitch=bend, time=clock))
        clock = 0
    track.append(mido.Message("note_off", note=held or 60, time=clock))
    song = mido.MidiFile(ticks_per_beat=100)  # at 60 beats a minute a tick is 10 ms
    track.insert(0, mido.MetaMessage("set_tempo", tempo=1_000_000))
    song.tracks.append(track)
    with tempfile.TemporaryDirectory() as folder:
        mid, wav = Path(folder) / "x.mid", Path(folder) / "x.wav"
        song.save(mid)
        command = [
            "fluidsynth",
            "-ni",
            "-q",
            "-R",
            "0",
            "-C",
            "0",
            "-g",
            "0.6",
            "-r",
            str(RATE),
            "-F",
            str(wav),
        ]
        subprocess.run([*command, str(soundfont), str(mid)], check=True, stdout=-3, stderr=-3)
        x, _ = read(wav)
    return x[: int(seconds * RATE)]
