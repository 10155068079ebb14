"""Songs whose chords, bass or hats keep off the beat, and others beside them, with written bar lines.

House, dub, ska, reggae and polkas as they are usually played; introductions off the beat before drums of any
kind; chords and bass ahead of every bar line; ordinary beats of many styles (common practice, written down
from memory). Beats count from bar one on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

Rng = np.random.Generator
Pitch = int | list[int]
QUARTERS, ANDS = [0, 1, 2, 3], [0.5, 1.5, 2.5, 3.5]
EIGHTHS, SIXTEENTHS = [k / 2 for k in range(8)], [k / 4 for k in range(16)]
STABS = (
    ANDS, [0.5, 1.5, 2.5, 3.25], [0.75, 1.5, 2.75, 3.5], [0.5, 1.25, 2, 2.75, 3.5], [1.5, 3.5], [0.5, 2.5],
    [0.5, 1.25, 2.5, 3.25], [0, 0.75, 1.5, 2.5, 3.5],
)  # fmt: skip
BASSES = (
    ANDS, [0.5, 0.75, 1.5, 1.75, 2.5, 2.75, 3.5, 3.75], [0.75, 1.5, 2.75, 3.5], [0.5, 1.5, 1.75, 2.5, 3.5],
    [0.25, 0.5, 1.25, 1.5, 2.25, 2.5, 3.25, 3.5], [0, 0.75, 1.5, 2.5, 3.5],
)  # fmt: skip
# (beat, step of the scale above the chord's root)
SKA_BASSES = (
    [(0, 0), (1, 2), (2, 4), (3, 2)], [(0, 0), (1, 2), (2, 4), (3, 5)], [(0, 0), (1, 0), (2, 4), (3, 4)],
    [(0, 0), (0.5, 0), (1, 2), (2, 4), (3, 2)], [(0, 0), (1, 4), (2, 2), (3, 4)],
    [(0, 0), (1, 2), (2, 4), (3, 5), (3.5, 4)],
)  # fmt: skip
RIDDIMS = (
    [(0, 0), (0.5, 0), (1.5, 2), (2, 4)], [(0, 0), (1, 0), (1.5, 2), (2.5, 4), (3, 2)],
    [(0.5, 0), (1, 0), (2, 4), (2.5, 2), (3, 0)], [(0, 0), (2, 0), (2.5, 4), (3, 2), (3.5, 0)],
    [(0, 0), (0.5, 2), (1, 4), (3, 4), (3.5, 2)], [(0, 0), (1.5, 4), (2, 0), (3.5, -1)],
)  # fmt: skip
PROGRESSIONS = (
    [0, 3, 4, 3],
    [0, 5, 3, 4],
    [0, 3],
    [0, 4, 5, 3],
    [0, 0, 3, 4],
    [1, 4, 0, 0],
    [0, 6, 5, 4],
    [0, 5],
)


def one_of(rng: Rng, *choices: Any) -> Any:
    return choices[int(rng.integers(len(choices)))]


def tempo(rng: Rng, low: float, high: float) -> float:
    x = rng.uniform(low, high)
    return round(x) if rng.random() < 0.7 else round(x, 1)


class Song:
    """A song that is being written; `events`: (role, beat, length in beats, pitch, loudness)."""

    def __init__(self, rng: Rng, bpm: float, beats: int = 4) -> None:
        self.rng, self.bpm, self.beats, self.beat_s = rng, float(bpm), beats, 60 / float(bpm)
        self.events: list[tuple[str, float, float, int, float]] = []
        self.bars = max(8, round(rng.uniform(40, 60) / (beats * self.beat_s) / 4) * 4)
        self.starts_s = float(rng.uniform(0.02, 1.2)) if rng.random() < 0.6 else 0.0
        self.minor, self.key = rng.random() < 0.6, int(rng.integers(12))
        self.progression = list(one_of(rng, *PROGRESSIONS))
        self.chord_bars = one_of(rng, 1, 1, 2)
        self.by_soundfont = one_of(rng, False, False, False, True)
        self.swing, self.loose_s = 0.5, 0.0

    def seconds(self, beat: float) -> float:
        if self.swing != 0.5:
            whole = np.floor(beat + 1e-9)
            part = beat - whole
            late = 2 * part * self.swing if part < 0.5 else self.swing + (part - 0.5) * 2 * (1 - self.swing)
            beat = float(whole + late)
        return self.starts_s + beat * self.beat_s

    def step(self, k: int) -> int:
        scale = [0, 2, 3, 5, 7, 8, 10] if self.minor else [0, 2, 4, 5, 7, 9, 11]
        return self.key + scale[k % 7] + 12 * (k // 7)

    def root(self, bar: int) -> int:
        return int(self.progression[bar // self.chord_bars % len(self.progression)])

    def low(self, bar: int, above: int = 0) -> int:
        return 30 + (self.step(self.root(bar) + above) - 30) % 12

    def line(self, bar: int, above: int) -> int:
        """A bass note so many steps above the chord's root."""
        return self.low(bar) + self.step(self.root(bar) + above) - self.step(self.root(bar))

    def chord(self, bar: int, base: int = 60, seventh: bool = False) -> list[int]:
        steps = [self.step(self.root(bar) + k) for k in ((0, 2, 4, 6) if seventh else (0, 2, 4))]
        return sorted(base - 5 + (p - base + 5) % 12 for p in steps)

    def add(self, role: str, beat: float, length: float, pitch: int = 60, v: float = 0.8) -> None:
        if -1e-6 < beat < self.bars * self.beats - 1e-6:
            self.events.append((role, beat, length, int(pitch), v))

    def repeat(
        self,
        role: str,
        pattern: list[Any],
        start: int = 0,
        pitch: Callable[[int], Pitch] | None = None,
        length: float = 0.25,
        v: float = 0.8,
        every: int = 1,
        rests: Callable[[int], bool] | None = None,
    ) -> None:
        """The pattern in every bar from `start` on; a beat, or (beat, loudness)."""
        for bar in range(0, self.bars, every):
            for item in pattern:
                beat, accent = item if isinstance(item, tuple) else (item, 1.0)
                at = bar + int(beat // self.beats)
                if at < start or (rests is not None and rests(at)):
                    continue
                pitches = pitch(at) if pitch else 60
                for p in pitches if isinstance(pitches, list) else [pitches]:
                    self.add(role, bar * self.beats + beat, length, p, v * accent)

    def melody(self, role: str, unit: float, start: int = 0, dense: float = 0.5, base: int = 72) -> None:
        """Two bars of a tune on a grid of `unit` beats, with another end in every eighth bar."""
        rng, span = self.rng, 2 * self.beats
        per = max(round(1 / unit), 1)
        places = []
        for k in range(round(span / unit)):
            if rng.random() < dense * (1.5 if k % per == 0 else 0.8):
                places.append(k * unit)
        places = places or [0.0]
        steps, other = rng.integers(-2, 3, len(places)), rng.integers(-2, 3, len(places))
        for first in range(0, self.bars, 2):
            degree = self.root(first) + 2
            moves = other if (first // 2) % 4 == 3 else steps
            for at, end, move in zip(places, [*places[1:], span], moves, strict=True):
                bar = first + int(at // self.beats)
                if at % self.beats == 0:
                    degree = self.root(min(bar, self.bars - 1)) + one_of(rng, 0, 2, 4)
                else:
                    degree = int(np.clip(degree + move, -3, 11))
                if start <= bar < self.bars:
                    pitch = base - 6 + self.step(degree) - self.key
                    length = min(end - at, 1.5) * 0.9
                    self.add(role, first * self.beats + at, length, pitch, rng.uniform(0.6, 0.85))

    def fills(self, start: int) -> None:
        for bar in range(7, self.bars, 8):
            if bar >= start and self.rng.random() < 0.6:
                for k in range(4):
                    if self.rng.random() < 0.8:
                        at = bar * self.beats + self.beats - 1 + k / 4
                        self.add(one_of(self.rng, "t", "s"), at, 0.2, 45, 0.6)

    def crash(self, start: int) -> None:
        for bar in range(start, self.bars, 8):
            if self.rng.random() < 0.6:
                self.add("x", bar * self.beats, 2, 49, 0.6)


def house(rng: Rng, kick: str) -> Song:
    """Stabs and bass off the beat; the kick on every beat from bar one, later, or never."""
    s = Song(rng, tempo(rng, 116, 134))
    seventh, drops = rng.random() < 0.5, rng.random() < 0.3
    enters = min(one_of(rng, 4, 4, 8, 8, 16), s.bars // 2 // 4 * 4)
    if kick == "on":
        starts = one_of(rng, 0, 4), one_of(rng, 0, 4, 8), one_of(rng, 0, 4), one_of(rng, 0, 4)
        enters = 0
    elif kick == "late":
        starts = 0, one_of(rng, 0, enters // 2), one_of(rng, 0, enters), enters
    else:
        starts, enters = (0, one_of(rng, 0, 4), one_of(rng, 0, 4), one_of(rng, 4, 8)), 99
    stabs, bass, hats, claps = starts
    s.repeat("g", one_of(rng, *STABS), stabs, lambda b: s.chord(b, seventh=seventh), one_of(rng, 0.2, 0.3))
    s.repeat("b", one_of(rng, *BASSES), bass, s.low, v=0.85)
    if kick != "never":
        s.repeat("k", QUARTERS, enters, v=0.9, rests=lambda b: b % 16 == 15 and drops)
    if rng.random() < 0.85:
        s.repeat(one_of(rng, "o", "o", "h"), ANDS, hats, v=0.6)
    if rng.random() < 0.4:
        s.repeat("h", SIXTEENTHS, hats, v=0.35)
    if rng.random() < 0.7:
        s.repeat(one_of(rng, "c", "s"), [1, 3], claps, v=0.7)
    if rng.random() < 0.4:
        s.melody("l", one_of(rng, 0.25, 0.5), one_of(rng, 0, 8, 16), 0.3)
    if rng.random() < 0.3:
        s.repeat("w", [0], 8, s.chord, 3.9, 0.6)
    s.crash(enters)
    return s


def dub(rng: Rng) -> Song:
    """Chords off the beat with their echoes."""
    s = Song(rng, tempo(rng, 108, 130))
    s.chord_bars = 2
    places = one_of(rng, ANDS, [0.5, 2.5], [1.5, 3.5], [0.75, 1.5], [0.5, 1.25], [1.5], [0.75, 2.25, 3.5])
    fades, apart = rng.uniform(0.4, 0.65), one_of(rng, 0.75, 0.75, 0.5)
    if rng.random() < 0.5:
        s.progression = [0]
    for bar in range(s.bars):
        for at in places:
            for echo in range(4):
                for pitch in s.chord(bar):
                    s.add("g", bar * 4 + at + apart * echo, 0.3, pitch, 0.8 * fades**echo)
    enters = one_of(rng, 0, 0, 4, 8)
    s.repeat("k", QUARTERS, enters, v=0.9)
    bass = one_of(rng, [0, 1.5, 2.5], ANDS, [0, 0.75, 2.5], [0.5, 2.25], [0])
    s.repeat("b", bass, one_of(rng, 0, enters, 4), s.low, 0.4, 0.85)
    if rng.random() < 0.8:
        s.repeat(one_of(rng, "o", "h"), ANDS, one_of(rng, 0, enters), v=0.5)
    if rng.random() < 0.5:
        s.repeat("r", one_of(rng, [1, 3], [1.75, 3.75]), enters, v=0.5)
    if rng.random() < 0.4:
        s.repeat("m", SIXTEENTHS, one_of(rng, 0, enters), v=0.4)
    return s


def off_beat_intro(rng: Rng) -> Song:
    """Chords off the beat before a drum kit of any kind enters."""
    s = Song(rng, tempo(rng, 84, 140))
    enters = one_of(rng, 2, 4, 4, 8)
    s.by_soundfont = one_of(rng, False, True)
    role = one_of(rng, "g", "n", "q")
    places = one_of(rng, ANDS, ANDS, [1.5, 3.5], [0.5, 2.5], [0.5, 1.5, 2, 3.5], [0.5, 1, 2.5, 3])
    s.repeat(role, places, 0, s.chord, 0.3)
    if rng.random() < 0.3:
        s.repeat("h", ANDS, 0, v=0.5)
    s.repeat("k", one_of(rng, [0, 2], [0, 1.5, 2], [0, 2.5], QUARTERS, [0, 1.75, 2.5]), enters, v=0.9)
    s.repeat(one_of(rng, "s", "c"), [1, 3], enters, v=0.85)
    if rng.random() < 0.85:
        s.repeat("h", one_of(rng, EIGHTHS, SIXTEENTHS), enters, v=0.4)
    bass = one_of(rng, [0, 1.5, 2.5], [0, 2], [0, 1.5, 2, 3.5], EIGHTHS, [0, 0.5, 2, 2.5])
    s.repeat("b", bass, one_of(rng, enters, enters, enters + 4), s.low, 0.4, 0.85)
    if rng.random() < 0.5:
        s.melody("l", 0.5, enters + 4, 0.4)
    s.fills(enters)
    s.crash(enters)
    return s


def ska(rng: Rng) -> Song:
    """Chords on every "and" over a walking bass."""
    s = Song(rng, tempo(rng, 110, 168))
    s.by_soundfont = one_of(rng, False, True)
    enters = one_of(rng, 0, 0, 0, 4)
    s.repeat(one_of(rng, "g", "n", "q"), ANDS, 0, lambda b: s.chord(b, 64), 0.2)
    bass = one_of(rng, *SKA_BASSES)
    for bar in range(one_of(rng, 0, enters), s.bars):
        for at, above in bass:
            s.add("b", bar * 4 + at, 0.85, s.line(bar, above), 0.85 if at == 0 else 0.75)
    kick, snare = one_of(
        rng,
        ([0, 2], [1, 3]), ([0, 2], [1, 3]), ([1, 3], [1, 3]), (QUARTERS, [1, 3]), ([0, 1.5, 2], [1, 3]),
        ([0], [2]),
    )  # fmt: skip
    s.repeat("k", kick, enters, v=0.85)
    s.repeat(one_of(rng, "s", "s", "r"), snare, enters, v=0.75)
    hats = one_of(rng, "h", "h", "o")
    accented = [(at, 1 if at % 1 else 0.6) for at in EIGHTHS]
    s.repeat(hats, one_of(rng, ANDS, EIGHTHS, accented), one_of(rng, 0, enters), v=0.5)
    if rng.random() < 0.7:
        s.melody("u", 0.5, one_of(rng, 4, 8), 0.5, 67)
    s.fills(enters)
    s.crash(enters)
    return s


def reggae(rng: Rng) -> Song:
    """One drop, steppers or rockers; counted fast (chords on two and four) or slow (on every "and")."""
    slow = rng.random() < 0.3
    s = Song(rng, tempo(rng, 66, 84) if slow else tempo(rng, 124, 160))
    s.by_soundfont = one_of(rng, False, True)
    w, halves = (0.5, 2) if slow else (1.0, 1)

    def repeat(role: str, pattern: list[float], start: int = 0, **how: Any) -> None:
        s.repeat(role, [at * w + 2 * h for h in range(halves) for at in pattern], start, **how)

    enters = one_of(rng, 0, 0, 2) if slow else one_of(rng, 0, 0, 4)
    role = one_of(rng, "g", "n")
    skank = one_of(rng, [1, 3], [1, 3], [1, 1.5, 3, 3.5])
    repeat(role, skank, 0, pitch=lambda b: s.chord(b, 64), length=0.25 * w)
    if rng.random() < 0.5:
        bubble = one_of(rng, [0.5, 1, 1.5, 2.5, 3, 3.5], ANDS)
        repeat("q", bubble, one_of(rng, 0, enters), pitch=lambda b: s.chord(b, 57), length=0.25 * w, v=0.6)
    feel = one_of(rng, "drop", "drop", "steppers", "rockers")
    repeat("k", {"drop": [2], "steppers": QUARTERS, "rockers": [0, 2]}[feel], enters, v=0.85)
    repeat(one_of(rng, "r", "s"), [2], enters)
    repeat("h", one_of(rng, EIGHTHS, EIGHTHS, QUARTERS), enters, v=0.4)
    lines = [one_of(rng, *RIDDIMS) for _ in range(2)]
    for bar in range(one_of(rng, 0, enters) * halves, s.bars * halves):
        for at, above in lines[bar % 2]:
            s.add("b", bar * 4 * w + at * w, 0.9 * w, s.line(bar // halves, above), 0.85)
    if rng.random() < 0.6:
        s.melody(one_of(rng, "l", "u"), 0.25 if slow else 0.5, one_of(rng, 4, 8), 0.4)
    for bar in range(3, s.bars, 4):
        if rng.random() < 0.5:
            for k in range(4):
                s.add("s", bar * 4 + 4 - w + k * w / 4, 0.1, 38, 0.5 + 0.1 * k)
    s.crash(enters)
    return s


def ahead(rng: Rng) -> Song:
    """Chords and bass an eighth or a 16th ahead of the bar lines, drums on the beat."""
    s = Song(rng, tempo(rng, 82, 136))
    early, enters = one_of(rng, 0.5, 0.5, 0.5, 0.25), one_of(rng, 0, 0, 4)
    places = one_of(rng, [0], [0, 2], [0, 1.5 + early], [0, 2 + early, 3])
    for bar in range(s.bars):
        for at in places:
            beat = bar * 4 + at - early if bar or at else 0.0
            s.add("b", beat, 0.5 + early, s.low(bar), 0.85)
            if at in (0, 2) or rng.random() < 0.3:
                for pitch in s.chord(bar):
                    s.add("n", beat, 1.2, pitch, 0.65)
        if rng.random() < 0.5:
            s.add("b", bar * 4 + 1.5, 0.4, s.low(bar, 4), 0.7)
    s.repeat(one_of(rng, "s", "c"), [1, 3], enters, v=0.85)
    s.repeat("h", one_of(rng, EIGHTHS, EIGHTHS, QUARTERS, [1, 3], SIXTEENTHS), enters, v=0.4)
    if rng.random() < 0.55:
        s.repeat("k", one_of(rng, [0, 2], [0, 2.5], [0, 1.5, 2], QUARTERS), enters, v=0.85)
    if rng.random() < 0.6:
        s.melody("l", 0.5, one_of(rng, 0, 4, 8), 0.4)
    s.fills(enters)
    s.crash(enters)
    return s


def polka(rng: Rng) -> Song:
    """Bass on the beats, chords between them, with drums or without."""
    s = Song(rng, tempo(rng, 96, 140))
    enters = one_of(rng, 0, 0, 4)
    s.repeat("b", QUARTERS if rng.random() < 0.6 else [0, 2], 0, s.low, 0.45, 0.85)
    s.repeat(one_of(rng, "n", "g", "q"), ANDS, 0, s.chord, 0.3, 0.75)
    if rng.random() < 0.6:
        s.repeat("k", one_of(rng, QUARTERS, [0, 2]), enters, v=0.7)
        s.repeat(one_of(rng, "s", "r"), one_of(rng, ANDS, [1, 3]), enters, v=0.6)
    s.melody(one_of(rng, "l", "u"), 0.5, one_of(rng, 0, 4), 0.55)
    s.fills(enters)
    return s


OFF = [0.25, 0.5, 0.75, 1.25, 1.5, 1.75, 2.25, 2.5, 2.75, 3.25, 3.5, 3.75]
# Style: slowest and fastest, kick, bass and chords (none: one of the usual ones)
USUAL_BASS = ([0, 2], [0, 1.5, 2.5], [0, 2.5], QUARTERS)
USUAL_CHORDS = ([0, 2], [0, 1.5], EIGHTHS, QUARTERS, [1, 3], [0, 1.5, 3])
TEMPI = {
    "boombap": (82, 102), "pop": (90, 130), "rock": (90, 160), "funk": (92, 120), "tracker": (100, 150),
    "techno": (122, 148), "disco": (110, 128), "latin": (90, 120), "soul": (84, 130), "trance": (130, 142),
    "swing": (110, 180), "ballad": (60, 90), "antic": (84, 130), "quarterintro": (90, 134),
    "syncintro": (90, 134),
}  # fmt: skip


def ordinary(rng: Rng) -> Song:
    """A beat of one of many styles."""
    style = one_of(rng, *TEMPI)
    s = Song(rng, tempo(rng, *TEMPI[style]))
    enters = one_of(rng, 0, 0, 4, 8)
    kicks = {
        "boombap": [0, 2.5], "pop": [0, 2], "rock": [0, 2, 2.5], "funk": [0, 0.75, 2.5],
        "tracker": [0, 1.5, 2], "techno": QUARTERS, "disco": QUARTERS, "latin": [0, 1.5, 2, 3.5],
        "soul": [0, 1.5, 2], "trance": QUARTERS, "swing": QUARTERS, "ballad": [0, 2], "antic": [0, 2],
        "quarterintro": one_of(rng, QUARTERS, [0, 2]), "syncintro": one_of(rng, QUARTERS, [0, 2.5]),
    }  # fmt: skip
    s.repeat("k", kicks[style], enters, v=0.4 if style == "swing" else 0.85)
    s.repeat(one_of(rng, "s", "c"), [1.5, 3] if style == "latin" else [1, 3], enters)
    club = style in ("techno", "disco", "trance")
    s.repeat("h", ANDS if club else one_of(rng, EIGHTHS, SIXTEENTHS), one_of(rng, 0, enters), v=0.45)
    if style == "swing":
        s.swing = 2 / 3
    basses = {
        "swing": QUARTERS, "disco": EIGHTHS, "trance": OFF, "techno": one_of(rng, ANDS, EIGHTHS),
        "funk": [0, 0.75, 1.5, 2.5, 3.25], "rock": EIGHTHS, "latin": [0, 1.5, 3],
    }  # fmt: skip
    bass = basses.get(style) or one_of(rng, *USUAL_BASS)
    if style == "antic":
        s.repeat("b", [-0.5, 1.5, 0.5], one_of(rng, 0, 4), s.low, 0.8, 0.85)
    else:
        s.repeat("b", bass, one_of(rng, 0, enters), s.low, 0.45, 0.85)
    chords = {
        "antic": [1.5, 3.5], "quarterintro": QUARTERS, "syncintro": [0, 1.5, 2.5, 3.5],
        "techno": one_of(rng, ANDS, [0, 0.75, 1.5, 2.25, 3]), "rock": EIGHTHS,
        "funk": [0.5, 1.25, 1.75, 2.5, 3.25], "disco": one_of(rng, ANDS, [0, 0.5, 1.5, 2.5, 3.5]),
        "ballad": EIGHTHS,
    }  # fmt: skip
    places = chords.get(style) or one_of(rng, *USUAL_CHORDS)
    s.repeat(one_of(rng, "n", "g", "a"), places, 0, s.chord, 0.4, 0.65)
    if rng.random() < 0.6:
        s.melody("l", one_of(rng, 0.5, 0.25, 1.0), one_of(rng, 0, 4, 8), 0.45)
    if rng.random() < 0.4:
        s.repeat("w", [0], one_of(rng, 0, 4), s.chord, 3.8, 0.6)
    if rng.random() < 0.5:
        s.loose_s = rng.uniform(0, 0.008)
    s.fills(enters)
    s.crash(enters)
    return s


def footwork(rng: Rng) -> Song:
    """Fast, with a clap on three and kicks that go by threes."""
    s = Song(rng, tempo(rng, 154, 164))
    kicks = one_of(rng, [0, 1.5, 3], [0, 0.75, 1.5, 2.25, 3], [0, 1.5, 2, 3.5], [0, 4 / 3, 8 / 3])
    s.repeat("k", kicks, 0, v=0.9)
    s.repeat("c", one_of(rng, [2], [2, 3.5]), one_of(rng, 0, 4))
    s.repeat("h", one_of(rng, ANDS, EIGHTHS, SIXTEENTHS), one_of(rng, 0, 4), v=0.4)
    s.repeat("n", one_of(rng, [0, 0.75, 1.5], [0, 1.5, 2.5]), 0, s.chord, 0.3, 0.6)
    s.repeat("b", [0, 1.5], 8, s.low, 0.8, 0.9)
    return s


KINDS: dict[str, Callable[[Rng], Song]] = {
    "house_on": lambda rng: house(rng, "on"),
    "house_late": lambda rng: house(rng, "late"),
    "house_nokick": lambda rng: house(rng, "never"),
    "dub": dub,
    "offintro": off_beat_intro,
    "ska": ska,
    "reggae": reggae,
    "antic": ahead,
    "polka": polka,
    "footwork": footwork,
    "plain": ordinary,
    "plain2": ordinary,
}
