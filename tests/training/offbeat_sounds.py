"""Drums and instruments for the songs of `offbeat_songs.py`, in numpy, or by a General MIDI soundfont.

Roles: one letter each. Drums: k(ick), s(nare), r(im), c(lap), h(at), o(pen hat), x (crash), t(om), d (ride),
m (shaker); others: b(ass), a(rpeggio), g (chords), l(ead), w (pad), q (organ), u (brass), n (piano).
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from typing import Any

import mido
import numpy as np
import soundfile as sf
from scipy.signal import butter, fftconvolve, lfilter

from tests.training.offbeat_songs import Song

RATE = 44100
TICKS = 9600  # of a quarter
DRUMS = {"k": 36, "s": 38, "r": 37, "c": 39, "h": 42, "o": 46, "x": 49, "t": 45, "d": 51, "m": 70}
PROGRAMS = {"b": [33, 38, 32, 36, 39], "a": [81, 80, 46, 5], "g": [27, 28, 4, 0, 62, 17, 16],
            "l": [80, 73, 65, 11, 56, 81], "w": [48, 89, 50], "q": [16, 17, 18], "u": [61, 56, 57],
            "n": [0, 1, 24, 21]}  # fmt: skip
KINDS = {"b": ("sub", "saw", "pluck", "square"), "a": ("saw", "square", "fm"), "g": ("pluck", "saw", "fm"),
         "l": ("saw", "square", "fm", "sine"), "w": ("pad",), "q": ("organ",), "u": ("brass",),
         "n": ("pluck", "piano")}  # fmt: skip
GAINS = {"b": 0.9, "a": 0.35, "g": 0.38, "l": 0.5, "w": 0.22, "q": 0.25, "u": 0.33, "n": 0.4}
# noise, seconds in which it falls to 1/e (hats: drawn), gain
HISS = {
    "s": ("snare", 0.09, 0.3), "r": ("clap", 0.018, 0.35), "c": ("clap", 0.07, 0.3),
    "h": ("hat", 0.0, 0.11), "o": ("hat", 0.12, 0.11), "x": ("crash", 0.8, 0.16),
    "d": ("hat", 0.25, 0.08), "m": ("shaker", 0.035, 0.1),
}  # fmt: skip
NOISE = np.random.default_rng(77).standard_normal(RATE * 6).astype(np.float32)
BANDS_HZ = {"hat": (6500, 15000), "snare": (800, 7000), "clap": (1000, 3500), "crash": (3000, 14000),
            "shaker": (5000, 12000)}  # fmt: skip


def _band(low: float, high: float) -> np.ndarray:
    out = lfilter(*butter(2, [low / (RATE / 2), high / (RATE / 2)], "band"), NOISE).astype(np.float32)
    return out / np.std(out)


NOISES = {name: _band(*edges) for name, edges in BANDS_HZ.items()}


def _envelope(n: int, attack_s: float, fall_s: float) -> np.ndarray:
    out = np.exp(-np.arange(n) / RATE / fall_s)
    k = max(int(attack_s * RATE), 1)
    out[:k] *= np.linspace(0, 1, k)[:n]
    return out


def _stroke(role: str, gain: float, drawn: dict[str, Any]) -> np.ndarray:
    if role in "kt":
        f0, f1, glide, fall = 90.0, 80.0, 0.06, 0.12
        if role == "k":
            f0, f1, glide, fall = drawn["k0"], drawn["k1"], 0.025, drawn["kt"]
        n = int(5 * fall * RATE)
        hz = f0 + f1 * np.exp(-np.arange(n) / RATE / glide)
        out = np.sin(2 * np.pi * np.cumsum(hz) / RATE) * _envelope(n, 0.001, fall) * 1.1
        if role == "k":
            c = int(0.006 * RATE)
            out[:c] += drawn["click"] * NOISES["snare"][:c] * np.linspace(1, 0, c)
        return out * gain
    name, fall, loud = HISS[role]
    fall = fall or drawn["ht"]
    n, at = int(5 * fall * RATE), int(drawn["o"] % 30000)
    out = NOISES[name][at : at + n] * _envelope(n, 0.0008, fall) * loud
    if role == "s":
        m = min(n, int(0.15 * RATE))
        out[:m] += 0.35 * np.sin(2 * np.pi * drawn["sf"] * np.arange(m) / RATE) * _envelope(m, 0.001, 0.06)
    return out * gain


def _wave(kind: str, hz: float, t: np.ndarray, role: str, drawn: dict[str, Any]) -> tuple[np.ndarray, ...]:
    """The wave, seconds in which it falls, and of its attack."""
    angle, phase = 2 * np.pi * hz * t, (hz * t) % 1
    if kind == "sub":
        return np.sin(angle) + 0.25 * np.sin(2 * angle), 1.2, 0.006
    if kind == "square":
        width = drawn.setdefault("d" + role, float(drawn["r"].choice([0.12, 0.25, 0.5])))
        return np.where(phase < width, 0.7, -0.7), 0.6, 0.002
    if kind == "pluck":
        tones = [np.sin(k * angle) * np.exp(-t * k * 2.5) / k for k in range(1, 8) if hz * k < 15000]
        return sum(tones), 0.35, 0.002
    if kind == "fm":
        return np.sin(angle + 2.2 * np.exp(-t / 0.15) * np.sin(2 * angle)), 0.4, 0.002
    if kind == "sine":
        return np.sin(angle + 0.03 * np.sin(2 * np.pi * 5 * t)), 1.5, 0.01
    if kind == "organ":
        return sum(np.sin(k * angle) * w for k, w in ((1, 0.6), (2, 0.5), (3, 0.3), (4, 0.3))), 9, 0.004
    if kind == "piano":
        tones = [np.sin(k * (1 + 0.0004 * k * k) * angle) * np.exp(-t * k * 1.2) / k**1.1
                 for k in range(1, 9) if hz * k < 15000]  # fmt: skip
        return sum(tones), 1.0, 0.003
    wave = ((2 * phase - 1) + (2 * ((phase * 1.003 + 0.37) % 1) - 1)) * 0.5
    cut = drawn.setdefault("c" + role, float(drawn["r"].uniform(900, 4500)))
    wave = lfilter(*butter(2, min(cut, 9000) / (RATE / 2)), wave)
    return wave, *{"pad": (9, 0.1), "brass": (1.5, 0.03)}.get(kind, (0.5, 0.004))


def _note(role: str, seconds: float, pitch: int, gain: float, drawn: dict[str, Any]) -> np.ndarray:
    rng = drawn["r"]
    if "v" + role not in drawn:
        kinds = KINDS[role]
        drawn["v" + role] = kinds[int(rng.integers(len(kinds)))]
    else:
        rng.integers(len(KINDS[role]))
    n = int((seconds + 0.08) * RATE)
    wave, fall, attack = _wave(
        drawn["v" + role], 440 * 2 ** ((pitch - 69) / 12), np.arange(n) / RATE, role, drawn
    )
    out = _envelope(n, attack, fall)
    k = int(0.06 * RATE)
    out[-k:] *= np.linspace(1, 0, k)
    return wave * out * gain * 0.5


def synthesised(song: Song) -> np.ndarray:
    """Samples [shape=(n,)] by the sounds above."""
    rng = song.rng
    drawn: dict[str, Any] = {
        "k0": rng.uniform(42, 58), "k1": rng.uniform(80, 220), "kt": rng.uniform(0.05, 0.13),
        "click": rng.uniform(0.05, 0.6), "ht": rng.uniform(0.015, 0.04), "o": rng.integers(30000),
        "sf": rng.uniform(160, 230), "r": rng,
    }  # fmt: skip
    end = song.seconds(song.bars * song.beats) + 1.5
    out = np.zeros(int(end * RATE) + RATE * 3, np.float32)
    memo: dict[tuple[Any, ...], np.ndarray] = {}
    loud = {role: rng.uniform(0.75, 1.3) for role in "bagwlqun" + "".join(DRUMS)}
    for role, beat, length, pitch, v in sorted(song.events, key=lambda e: e[1]):
        key = (role, round(length, 2), pitch, round(v, 1))
        if key not in memo:
            gain = round(v, 1) + 0.01
            sound = (
                _stroke(role, gain, drawn)
                if role in DRUMS
                else _note(role, length * song.beat_s, pitch, gain, drawn)
            )
            memo[key] = (sound * GAINS.get(role, 1.0) * loud[role]).astype(np.float32)
        late = rng.uniform(0, song.loose_s) if song.loose_s else 0.0
        i = round((song.seconds(beat) + late) * RATE)
        out[i : i + len(memo[key])] += memo[key]
    out = out[: int(end * RATE)]
    if rng.random() < 0.6:
        room = NOISE[:RATE] * np.exp(-np.arange(RATE) / RATE / rng.uniform(0.15, 0.4))
        room[:500] = 0
        out = out + rng.uniform(0.005, 0.03) * fftconvolve(out, room)[: len(out)]
    out /= np.abs(out).max() + 1e-9
    if rng.random() < 0.5:
        drive = rng.uniform(1, 2.5)
        out = np.tanh(drive * out) / np.tanh(drive)
    return out


def by_soundfont(song: Song, fonts: list[Path]) -> np.ndarray:
    """Samples [shape=(n,)] by one of the soundfonts (needs fluidsynth)."""
    rng, track, channels = song.rng, mido.MidiTrack(), {}
    free = [c for c in range(16) if c != 9]
    messages: list[tuple[float, int, mido.Message]] = []
    for channel, role in zip(free, sorted({e[0] for e in song.events if e[0] not in DRUMS}), strict=False):
        channels[role] = channel
        volume = {"b": 112, "w": 70, "l": 95}.get(role, 88)
        program = int(rng.choice(PROGRAMS[role]))
        messages.append((0.0, 0, mido.Message("program_change", channel=channel, program=program)))
        messages.append((0.0, 0, mido.Message("control_change", channel=channel, control=7, value=volume)))
    for role, beat, length, pitch, v in song.events:
        channel, note = (9, DRUMS[role]) if role in DRUMS else (channels[role], int(np.clip(pitch, 24, 105)))
        on, off = song.seconds(beat), song.seconds(beat) + max(length * song.beat_s * 0.95, 0.05)
        loudness = int(25 + 100 * v)
        messages.append((on, 2, mido.Message("note_on", channel=channel, note=note, velocity=loudness)))
        messages.append((off, 1, mido.Message("note_off", channel=channel, note=note, velocity=0)))
    before = 0
    for at, _, message in sorted(messages, key=lambda m: m[:2]):
        tick = round(at * 2 * TICKS)
        track.append(message.copy(time=tick - before))
        before = tick
    font = fonts[int(rng.integers(len(fonts)))]
    with tempfile.TemporaryDirectory() as folder:
        midi, wav = Path(folder, "song.mid"), Path(folder, "song.wav")
        mido.MidiFile(ticks_per_beat=TICKS, tracks=[track]).save(midi)
        command = [
            "fluidsynth",
            "-ni",
            "-q",
            "-g",
            ".5",
            "-r",
            str(RATE),
            "-F",
            str(wav),
            str(font),
            str(midi),
        ]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        out, _ = sf.read(wav, dtype="float32")
    out = out.mean(axis=1)[: int((song.seconds(song.bars * song.beats) + 1.5) * RATE)]
    return out / (np.abs(out).max() + 1e-9)


def played(song: Song, fonts: list[Path]) -> np.ndarray:
    """Samples in 16 bits [shape=(n, 2)]."""
    mono = by_soundfont(song, fonts) if song.by_soundfont and fonts else synthesised(song)
    mono = mono * 10 ** (-song.rng.uniform(0.3, 5) / 20)
    mono = np.round(mono * 32767).astype(np.float32) / 32768
    return np.stack([mono, mono], axis=1)
