"""Invented songs for training the harmony models: chords, key and beats are known because we wrote them.

A song is drawn (key, mode, chord loops, parts, timbres, drums), rendered at the analysis rate and
returned with its truth. Wide on purpose: no two songs share a timbre, a kit or a loop, some are a
few cents off, noisy, driven or muffled, and some have no key at all.

Convention: pitch classes from C = 0, times in seconds, MIDI notes with middle C = 60.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, fftconvolve, sosfilt

from analyzers.harmony.spelling import SCALES
from analyzers.harmony.voicing import QUALITIES

Rng = np.random.Generator
Wave = npt.NDArray[np.float32]
RATE = 11025
MODES = ("major", "minor", "dorian", "phrygian", "mixolydian", "harmonic minor")
MODE_SHARES = (0.40, 0.38, 0.06, 0.04, 0.06, 0.06)
# how likely each degree follows: tonic and its neighbours by fifth lead (common practice in pop harmony)
DEGREE_WEIGHTS = {
    "major": (3.0, 1.2, 0.9, 2.4, 2.2, 2.2, 0.12),
    "minor": (3.0, 0.35, 1.6, 2.0, 1.5, 2.2, 2.0),
    "dorian": (3.2, 1.2, 1.0, 2.8, 0.8, 0.1, 1.6),
    "phrygian": (3.2, 2.6, 1.0, 1.0, 0.1, 1.0, 1.6),
    "mixolydian": (3.0, 0.8, 0.3, 2.0, 1.2, 0.8, 2.6),
    "harmonic minor": (3.0, 0.5, 0.2, 2.0, 2.8, 1.6, 0.2),
}
NO_KEY = ("drums", "noise", "atonal", "bells", "drone")


@dataclass(frozen=True, slots=True)
class Song:
    """One rendered song.

    ``chords``: (start, end, root, quality); root -1 where nothing sounds, -2 where only bass or melody do.
    """

    wave: Wave
    beats_s: npt.NDArray[np.float64]
    beats_per_bar: int
    tonic: int  # -1: no key
    mode: str
    cents: float
    chords: tuple[tuple[float, float, int, str], ...]
    relative_too: bool  # the loop never shows which of the two relative keys is home
    rate: int = RATE
    downbeats: tuple[bool, ...] = ()
    sections_s: tuple[float, ...] = ()  # their starts
    key_change_s: float = -1.0  # first change of key, -1: none


@dataclass(slots=True)
class _Score:
    rng: Rng
    beat_s: float
    per_bar: int
    bars: int
    cents: float
    wave: Wave = field(default_factory=lambda: np.zeros(0, np.float32))

    def __post_init__(self) -> None:
        self.wave = np.zeros(int((self.bars * self.per_bar * self.beat_s + 3.0) * RATE), np.float32)

    def put(self, sound: Wave, beat: float, gain: float) -> None:
        start = int(max(beat, 0.0) * self.beat_s * RATE)
        end = min(start + len(sound), len(self.wave))
        if end > start:
            self.wave[start:end] += gain * sound[: end - start]

    def hz(self, note: float) -> float:
        return float(440.0 * 2 ** ((note - 69 + self.cents / 100) / 12))


class Timbre:
    """An instrument drawn once: spectrum, envelope, detune, vibrato."""

    def __init__(self, rng: Rng, kind: str) -> None:
        held = {"pad": 1.0, "lead": 0.7, "bass": 0.5, "arp": 0.2, "keys": 0.1}[kind]
        self.sustained = rng.random() < held
        n = int(rng.integers(2, 26))
        h = np.arange(1, n + 1)
        level = h ** -rng.uniform(0.3, 2.6) * np.exp(rng.normal(0, 0.5, n))
        if rng.random() < 0.3:
            level[1::2] *= rng.uniform(0, 0.4)
        if rng.random() < 0.12:
            level[0] *= rng.uniform(0.05, 0.4)
        self.level = level / np.abs(level).max()
        self.stretch = rng.uniform(0, 6e-4) if rng.random() < 0.35 else 0.0
        self.attack = float(np.exp(rng.uniform(np.log(0.002), np.log(0.25 if kind == "pad" else 0.03))))
        self.decay = rng.uniform(0.25, 4.0)
        self.bright_decay = rng.uniform(0.0, 0.6)
        self.release = rng.uniform(0.03, 0.6)
        self.voices = int(rng.choice([1, 1, 2, 3]))
        self.detune = rng.uniform(2, 12)
        self.vibrato = rng.uniform(3, 25) if rng.random() < 0.25 else 0.0
        self.vibrato_hz = rng.uniform(4, 7)
        self.rng = rng

    def note(self, hz: float, length: float, glide_from: float | None = None) -> Wave:
        n = int((length + self.release) * RATE)
        t = np.arange(n) / RATE
        bend = np.zeros(n)
        if self.vibrato:
            bend += self.vibrato / 1200 * np.sin(2 * np.pi * self.vibrato_hz * t)
        if glide_from:
            bend += np.log2(glide_from / hz) * np.exp(-t / self.rng.uniform(0.02, 0.12))
        out = np.zeros(n)
        for _ in range(self.voices):
            off = self.rng.normal(0, self.detune) / 1200 if self.voices > 1 else 0.0
            phase = 2 * np.pi * np.cumsum(hz * 2 ** (bend + off)) / RATE + self.rng.uniform(0, 6.3)
            out += self._partials(phase, hz, t)
        env = np.minimum(1, t / self.attack)
        env *= np.clip((length + self.release - t) / self.release, 0, 1)
        return (out * env / self.voices).astype(np.float32)

    def _partials(
        self, phase: npt.NDArray[np.float64], hz: float, t: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        out = np.zeros(len(t))
        for h, level in enumerate(self.level, start=1):
            ratio = h * np.sqrt(1 + self.stretch * h * h)
            if hz * ratio > 4800 or abs(level) < 0.01:
                continue
            part = level * np.sin(phase * ratio)
            if not self.sustained:
                part *= np.exp(-t / self.decay * (1 + self.bright_decay * (h - 1)))
            out += part
        return out


def draw_song(rng: Rng, bars: int | None = None) -> Song:
    """A song of 8 to 28 bars; one in nine has no key."""
    beat_s = 60 / float(np.exp(rng.uniform(np.log(60), np.log(175))))
    per_bar = 3 if rng.random() < 0.1 else 4
    bars = bars or int(rng.integers(8, 29))
    bars = max(6, min(bars, int(75 / (beat_s * per_bar))))
    cents = 0.0 if rng.random() < 0.5 else float(rng.uniform(-50, 50))
    score = _Score(rng, beat_s, per_bar, bars, cents)
    beats = np.arange(bars * per_bar + 1) * beat_s
    if rng.random() < 0.11:
        return _without_key(score, beats)
    mode = str(rng.choice(MODES, p=MODE_SHARES))
    tonic = int(rng.integers(12))
    loops, relative_too = _draw_loops(rng, mode, per_bar)
    plan = _lay_out(rng, loops, bars, per_bar, tonic)
    sounding = _play(score, plan, tonic, mode)
    _drums(score)
    chords = tuple(
        (a * beat_s, b * beat_s, (-1, -2, root)[heard], quality)
        for (a, b, root, quality), heard in zip(plan, sounding, strict=True)
    )
    return Song(_finish(score), beats, per_bar, tonic, mode, cents, chords, relative_too)


# ------------------------------------------------------------------ harmony
def _diatonic(mode: str, degree: int, seventh: bool) -> tuple[int, str]:
    """(steps above the tonic, quality) of the chord on a degree 0..6, stacked in thirds."""
    scale = SCALES[mode]
    steps = [scale[(degree + 2 * k) % 7] + 12 * ((degree + 2 * k) // 7) for k in range(4)]
    shape = tuple(s - steps[0] for s in steps)
    by_tones = {tones: name for name, tones in QUALITIES.items()}
    if seventh and shape in by_tones:
        return scale[degree], by_tones[shape]
    return scale[degree], by_tones.get(shape[:3], "maj")


def _draw_loops(rng: Rng, mode: str, per_bar: int) -> tuple[list[list[tuple[float, int, str]]], bool]:
    """One to three loops of (length in beats, steps above the tonic, quality)."""
    sevenths = float(rng.choice([0.0, 0.1, 0.5, 0.9]))
    rate = float(rng.choice([0.5, 1, 1, 1, 2])) * per_bar
    loops = [_draw_loop(rng, mode, rate, sevenths, first=k == 0) for k in range(int(rng.integers(1, 4)))]
    degrees = {(step, quality[:3]) for loop in loops for _, step, quality in loop}
    home = {(0, "maj")} if mode in ("major", "mixolydian") else {(0, "min")}
    return loops, not any((s, q[:3]) in home or s == 0 for s, q in degrees)


def _draw_loop(
    rng: Rng, mode: str, rate: float, sevenths: float, *, first: bool
) -> list[tuple[float, int, str]]:
    count = int(rng.choice([1, 2, 2, 4, 4, 4, 4, 8], p=[0.03, 0.1, 0.1, 0.2, 0.2, 0.15, 0.12, 0.1]))
    weights = np.array(DEGREE_WEIGHTS[mode])
    loop: list[tuple[float, int, str]] = []
    degree = 0 if rng.random() < (0.78 if first else 0.5) else int(rng.choice(7, p=weights / weights.sum()))
    for k in range(count):
        if k:
            options = weights.copy()
            options[degree] *= 0.15
            if k == count - 1:
                options[[0, 3, 4, 6]] *= 1.5
            degree = int(rng.choice(7, p=options / options.sum()))
        loop.append((rate, *_colour(rng, mode, degree, sevenths)))
    return loop


def _colour(rng: Rng, mode: str, degree: int, sevenths: float) -> tuple[int, str]:
    """The chord on a degree with what songs do to it: sevenths, dominants, borrowings, suspensions."""
    step, quality = _diatonic(mode, degree, rng.random() < sevenths)
    draw = rng.random()
    if mode in ("minor", "dorian") and degree == 4 and draw < 0.35:
        return 7, "7" if rng.random() < 0.5 else "maj"
    if mode == "major" and draw < 0.03:
        return (10, "maj") if rng.random() < 0.5 else (5, "min")
    if mode == "major" and draw < 0.07:
        return int(rng.choice([2, 4, 9])), "7" if rng.random() < 0.5 else "maj"
    if draw > 0.94 and quality in ("maj", "min", "7", "min7", "maj7"):
        return step, "sus4" if rng.random() < 0.5 else "sus2"
    return step, quality


def _lay_out(
    rng: Rng, loops: list[list[tuple[float, int, str]]], bars: int, per_bar: int, tonic: int
) -> list[tuple[float, float, int, str]]:
    plan: list[tuple[float, float, int, str]] = []
    end = float(bars * per_bar)
    at, which, left = 0.0, 0, int(rng.integers(1, 4))
    while at < end:
        for length, step, quality in loops[which]:
            if at >= end:
                break
            stop = min(at + length, end)
            plan.append((at, stop, (tonic + step) % 12, quality))
            at = stop
        left -= 1
        if left == 0:
            which, left = int(rng.integers(len(loops))), int(rng.integers(1, 4))
    return plan


# -------------------------------------------------------------------- parts
def _play(score: _Score, plan: list[tuple[float, float, int, str]], tonic: int, mode: str) -> list[int]:
    """Render bass, chords and melody; per chord 2 if harmony sounds, 1 if a line does, else 0."""
    rng = score.rng
    heard = np.zeros(len(plan), dtype=bool)
    line = np.zeros(len(plan), dtype=bool)
    layers = int(rng.choice([1, 1, 2, 3]))
    for _ in range(layers):
        heard |= _harmony_part(score, plan, _gate(rng, len(plan)))
    if rng.random() < 0.85:
        line |= _bass_part(score, plan, _gate(rng, len(plan)), tonic)
    if rng.random() < 0.65:
        line |= _melody_part(score, plan, _gate(rng, len(plan)), tonic, mode)
    return [2 if h else int(x) for h, x in zip(heard, line, strict=True)]


def _gate(rng: Rng, n: int) -> npt.NDArray[np.bool_]:
    """Which chords a part plays: mostly all, sometimes out for a while at the start, end or middle."""
    on = np.ones(n, dtype=bool)
    if rng.random() < 0.35 and n >= 4:
        a = int(rng.choice([0, rng.integers(0, n)]))
        on[a : a + int(rng.integers(1, max(2, n // 3)))] = False
    return on


def _voice(rng: Rng, root: int, quality: str, centre: float) -> list[int]:
    notes = []
    for step in QUALITIES[quality]:
        pc = (root + step) % 12
        notes.append(int(pc + 12 * round((centre + rng.uniform(-5, 5) - pc) / 12)))
    if rng.random() < 0.2:
        notes.append(notes[0] + 12)
    if rng.random() < 0.08 and quality in ("maj", "min", "maj7", "min7"):
        notes.append(notes[0] + 14)  # an added ninth
    if rng.random() < 0.12 and len(notes) > 3:
        notes.pop(2)
    return sorted(set(notes))


def _harmony_part(
    score: _Score, plan: list[tuple[float, float, int, str]], on: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    rng = score.rng
    style = str(rng.choice(["hold", "hold", "stabs", "arp", "arp", "strum", "alberti"]))
    timbre = Timbre(
        rng, "pad" if style == "hold" and rng.random() < 0.6 else "arp" if style == "arp" else "keys"
    )
    centre, gain = rng.uniform(53, 72), rng.uniform(0.3, 1.0)
    step = float(rng.choice([0.25, 0.5, 0.5, 1.0]))
    pattern = rng.random(16) < rng.uniform(0.3, 0.8)
    pattern[0] = True
    for (a, b, root, quality), use in zip(plan, on, strict=True):
        if not use:
            continue
        notes = _voice(rng, root, quality, centre)
        if style == "hold":
            for n in notes:
                score.put(
                    timbre.note(score.hz(n), (b - a) * score.beat_s * rng.uniform(0.8, 1.0)), a, gain / 2
                )
            continue
        for k, at in enumerate(np.arange(a, b - 1e-6, step)):
            if style in ("stabs", "strum") and not pattern[k % 16]:
                continue
            play = (
                notes
                if style in ("stabs", "strum")
                else [notes[(k if style == "arp" else (0, 2, 1, 2)[k % 4]) % len(notes)]]
            )
            late = 0.02 if style == "strum" else 0.0
            for i, n in enumerate(play):
                score.put(
                    timbre.note(score.hz(n), step * score.beat_s * rng.uniform(0.6, 1.4)),
                    at + i * late,
                    gain / len(play) ** 0.5,
                )
    return on


def _bass_part(
    score: _Score, plan: list[tuple[float, float, int, str]], on: npt.NDArray[np.bool_], tonic: int
) -> npt.NDArray[np.bool_]:
    rng = score.rng
    style = str(
        rng.choice(
            ["hold", "pulse", "octave", "fifth", "walk", "slide", "pedal"],
            p=[0.3, 0.2, 0.1, 0.13, 0.1, 0.12, 0.05],
        )
    )
    timbre = Timbre(rng, "bass")
    lowest = int(rng.choice([24, 28, 33]))
    gain = rng.uniform(0.4, 1.4)
    before: float | None = None
    for k, ((a, b, root, quality), use) in enumerate(zip(plan, on, strict=True)):
        if not use:
            continue
        pc = tonic if style == "pedal" else root
        if style in ("hold", "pulse") and rng.random() < 0.08:
            pc = (root + QUALITIES[quality][int(rng.integers(1, 3))]) % 12  # an inversion
        note = lowest + (pc - lowest) % 12
        step = b - a if style in ("hold", "pedal") else float(rng.choice([0.5, 1.0]))
        following = plan[(k + 1) % len(plan)][2]
        for i, at in enumerate(np.arange(a, b - 1e-6, step)):
            play = note
            if style == "octave" and i % 2:
                play = note + 12
            elif style == "fifth" and i % 4 == 2:
                play = note + (6 if quality == "dim" else 7)
            elif style == "walk" and i:
                last = at + step >= b - 1e-6
                play = (
                    lowest + (following - lowest) % 12 + int(rng.choice([-1, 1]))
                    if last
                    else note + int(rng.choice(QUALITIES[quality]))
                )
            hz = score.hz(play)
            glide = before if style == "slide" and before and rng.random() < 0.4 else None
            score.put(timbre.note(hz, step * score.beat_s * rng.uniform(0.6, 1.0), glide), at, gain)
            before = hz
    return on


def _melody_part(
    score: _Score, plan: list[tuple[float, float, int, str]], on: npt.NDArray[np.bool_], tonic: int, mode: str
) -> npt.NDArray[np.bool_]:
    rng = score.rng
    timbre = Timbre(rng, "lead")
    gain, note = rng.uniform(0.2, 0.9), int(rng.integers(62, 80))
    scale = sorted((tonic + s) % 12 for s in SCALES[mode])
    density = rng.uniform(0.3, 0.9)
    for (a, b, root, quality), use in zip(plan, on, strict=True):
        chord = [(root + s) % 12 for s in QUALITIES[quality]]
        at = a
        while use and at < b - 1e-6:
            length = float(rng.choice([0.25, 0.5, 0.5, 1.0, 2.0]))
            strong = abs(at - round(at)) < 1e-6
            pool = chord if strong and rng.random() < 0.75 else scale
            near = [n for n in range(note - 7, note + 8) if n % 12 in pool and 57 <= n <= 90]
            weight = np.array([np.exp(-abs(n - note) / 3) * (1.6 if n % 12 == tonic else 1.0) for n in near])
            if near and rng.random() < density:
                note = int(rng.choice(near, p=weight / weight.sum()))
                score.put(timbre.note(score.hz(note), min(length, b - at + 0.5) * score.beat_s), at, gain)
            at += length
    return on


# ------------------------------------------------------- drums and no key
def _drums(score: _Score, share: float = 0.8) -> None:
    rng = score.rng
    if rng.random() > share:
        return
    total = score.bars * score.per_bar
    level = rng.uniform(0.3, 1.6)
    kinds = [
        ("kick", 0.8, 1.0),
        ("snare", 0.35, 0.8),
        ("hat", 0.7, 0.35),
        ("tom", 0.1, 0.7),
        ("rim", 0.15, 0.4),
    ]
    for kind, density, gain in kinds:
        if rng.random() < (0.9 if kind != "tom" else 0.4):
            hit = _drum(rng, kind)
            pattern = rng.random(16) < density * rng.uniform(0.3, 1.0)
            for k in np.flatnonzero(np.resize(pattern, total * 4)):
                if rng.random() < 0.95:
                    score.put(hit, k / 4, level * gain * rng.uniform(0.6, 1.0))
    if rng.random() < 0.15:
        n = int(4 * score.beat_s * RATE)
        sweep = (rng.normal(0, 0.4, n) * np.linspace(0, 1, n) ** 2).astype(np.float32)
        score.put(sweep, float(rng.integers(0, max(1, total - 4))), level)


def _drum(rng: Rng, kind: str) -> Wave:
    t = np.arange(int(0.6 * RATE)) / RATE
    if kind in ("kick", "tom"):
        low = rng.uniform(38, 70) if kind == "kick" else rng.uniform(70, 240)
        drop = rng.uniform(0.1, 1.5) if kind == "tom" else rng.uniform(1, 8)
        bend = rng.uniform(0.01, 0.08)
        phase = 2 * np.pi * (low * t + low * drop * bend * (1 - np.exp(-t / bend)))
        return np.tanh(np.sin(phase) * np.exp(-t / rng.uniform(0.05, 0.3)) * rng.uniform(1, 4)).astype(
            np.float32
        )
    if kind == "rim":
        tone = sum(np.sin(2 * np.pi * hz * t) for hz in rng.uniform(300, 2500, 2))
        return np.asarray(tone * np.exp(-t / rng.uniform(0.01, 0.06)) * 0.5, np.float32)
    hiss = rng.normal(0, 0.5, len(t)) * np.exp(-t / rng.uniform(0.02, 0.15 if kind == "snare" else 0.06))
    if kind == "hat":
        hiss = sosfilt(butter(2, rng.uniform(2000, 4500), "high", fs=RATE, output="sos"), hiss)
    else:
        hiss = hiss + rng.uniform(0, 0.8) * np.sin(2 * np.pi * rng.uniform(150, 330) * t) * np.exp(-t / 0.08)
    return hiss.astype(np.float32)


def _without_key(score: _Score, beats: npt.NDArray[np.float64]) -> Song:
    rng = score.rng
    kind = str(rng.choice(NO_KEY, p=[0.4, 0.1, 0.25, 0.15, 0.1]))
    total = score.bars * score.per_bar
    if kind == "noise":
        score.wave += rng.normal(0, 0.1, len(score.wave)).astype(np.float32)
        score.wave = np.cumsum(score.wave, dtype=np.float32) % 1 - 0.5 if rng.random() < 0.3 else score.wave
    elif kind == "atonal":
        _atonal(score, total)
    elif kind == "bells":
        for at in np.arange(0, total, float(rng.choice([0.5, 1, 2]))):
            ratios = rng.uniform(0.5, 6, int(rng.integers(3, 8)))
            t = np.arange(int(2 * RATE)) / RATE
            bell = sum(np.sin(2 * np.pi * min(300 * r, 4800) * t) for r in ratios) * np.exp(
                -t / rng.uniform(0.1, 1)
            )
            score.put((bell / len(ratios)).astype(np.float32), at, 1.0)
    elif kind == "drone":
        for hz in rng.uniform(60, 1500, int(rng.integers(2, 7))):
            t = np.arange(len(score.wave)) / RATE
            wobble = rng.uniform(0.05, 0.5) * np.sin(2 * np.pi * rng.uniform(0.05, 0.6) * t)
            score.wave += (np.sin(2 * np.pi * np.cumsum(hz * 2**wobble) / RATE) * 0.2).astype(np.float32)
    _drums(score, 1.0 if kind == "drums" else 0.4)
    chords = ((0.0, float(beats[-1]), -1, "maj"),) if kind in ("drums", "noise") else ()
    return Song(_finish(score), beats, score.per_bar, -1, "major", score.cents, chords, False)


def _atonal(score: _Score, total: int) -> None:
    rng = score.rng
    for kind in ("keys", "lead", "bass")[: int(rng.integers(1, 4))]:
        timbre, at = Timbre(rng, kind), 0.0
        row = rng.permutation(12)
        k = 0
        while at < total:
            length = float(rng.choice([0.5, 1, 1, 2]))
            cluster = rng.choice([1, 1, 3, 4]) if kind == "keys" else 1
            for _ in range(cluster):
                base = 36 if kind == "bass" else 60
                off = rng.uniform(-0.5, 0.5) if rng.random() < 0.3 else 0.0
                score.put(
                    timbre.note(
                        score.hz(base + row[k % 12] + 12 * rng.integers(0, 2) + off), length * score.beat_s
                    ),
                    at,
                    0.6,
                )
                k += 1
                if k % 12 == 0 and rng.random() < 0.5:
                    row = rng.permutation(12)
            at += length


def _finish(score: _Score) -> Wave:
    """Room, drive, filter and noise; peak below 1."""
    rng, wave = score.rng, score.wave
    wave = wave / max(float(np.abs(wave).max()), 1e-6)
    if rng.random() < 0.4:
        tail = np.exp(-np.arange(int(0.8 * RATE)) / RATE / rng.uniform(0.05, 0.4)) * rng.normal(
            0, 1, int(0.8 * RATE)
        )
        wet = fftconvolve(wave, tail / np.sqrt((tail**2).sum()))[: len(wave)]
        wave = wave + rng.uniform(0.05, 0.5) * wet.astype(np.float32)
    if rng.random() < 0.4:
        drive = rng.uniform(1, 5)
        wave = np.tanh(wave * drive) / np.tanh(drive)
    if rng.random() < 0.25:
        wave = sosfilt(butter(1, rng.uniform(800, 4000), fs=RATE, output="sos"), wave)
    if rng.random() < 0.4:
        wave = wave + rng.normal(0, 10 ** rng.uniform(-4.5, -2), len(wave))
    return np.asarray(wave / max(float(np.abs(wave).max()), 1e-6) * rng.uniform(0.2, 1.0), np.float32)
