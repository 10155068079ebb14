"""Sequences as games and trackers have them: strict rows, often grouped in threes over a beat of four.

The written beat is what the row grid says; layers that group the rows otherwise (threes, 3+3+2, dotted notes,
runs that go on over the bar line) speak against it, as they do in such music. Ternary meters, shuffles and
straight pieces are there as well, so that only the whole picture tells one from the other. Parts enter and
leave by phrases or together by sections (bare beginnings, breaks without drums), chords change with the bar,
fills end phrases, a crash may begin them, kits go by one bar or by two, some tunes begin ahead of the bar
(common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.training.pieces import (
    CLAP,
    CRASH,
    DRUMS,
    HAT,
    KICK,
    LOW,
    OPEN,
    RIDE,
    SHAKER,
    SNARE,
    TOM,
    Piece,
    levels,
)
from tests.training.progressions import Harmony, draw_harmony

Rng = np.random.Generator

CHIP = (80, 81, 87, 4, 5, 11, 13, 46, 6, 38, 62, 90, 88, 0, 16, 29, 48, 73, 56)
METERS = {"4/4": 4, "3/4": 3, "6/8": 2, "12/8": 4}
MANNERS = ("crossed", "straight", "ternary", "shuffle", "sixes", "waltz")
FOUR_ROWS = 0.12  # share of the pieces in rows of three or six that are counted in beats of four rows
SHARES = (0.38, 0.21, 0.20, 0.07, 0.06, 0.08)
WHOLE = 0.6  # share of the written tempi that are whole numbers
SIXES = (range(6), (0, 2, 3, 5), (0, 3), (0, 2, 5))  # hats on rows of six: half-time shuffles among them
DRUM_PART = 5  # the kit's place among the parts that come and go


@dataclass(frozen=True, slots=True)
class Rows:
    """beats : in a bar; steps : rows in a beat; crossed : how often a layer groups rows against the beat"""

    beats: int
    steps: int
    crossed: float

    @property
    def bar(self) -> int:
        return self.beats * self.steps


def sequence(rng: Rng, seconds: float) -> Piece:
    """Game-like sequences: ostinati whose groups cross the beat, or ternary meters."""
    manner = str(rng.choice(MANNERS, p=SHARES))
    meter, rows, swing = _meter(rng, manner)
    low, high = {2: (70, 200), 3: (50, 132), 4: (70, 200), 6: (50, 108)}[rows.steps]
    if manner == "shuffle":
        low, high = 50, 132
    bpm = _written(rng, float(np.exp(rng.uniform(np.log(low), np.log(high)))))
    count = (int(seconds * bpm / 60 / rows.beats) + 2) * rows.beats
    programs = [int(rng.choice(CHIP)) for _ in range(4)] + [int(rng.choice([33, 38, 39, 87, 80, 36]))]
    other = levels(bpm, rows.steps == 3)
    piece = Piece("sequence", meter, rows.beats, rows.beats, count, bpm, other, [], programs, swing)
    harmony = draw_harmony(rng, "sequence", count // rows.beats + 1)
    piece.key, piece.blues = (harmony.tonic, harmony.mode), harmony.blues
    phrase = int(rng.choice([2, 4, 4, 8]))
    parts = [k for k, p in enumerate((0.7, 0.5, 0.65, 0.3, 0.75)) if rng.random() < p] or [0]
    gates = _gates(rng, count // rows.beats, phrase)
    for part in parts:
        gate = gates[part]
        if part in (0, 1):
            _row(rng, piece, part, rows, 60 - 12 * part, harmony, gate)
        elif part == 2:
            _line(rng, piece, part, rows, harmony, gate)
        elif part == 3:
            _chords(rng, piece, part, rows, harmony, gate)
        else:
            _bass(rng, piece, part, rows, harmony, gate)
    if rng.random() < 0.62:
        _kit(rng, piece, rows, gates[DRUM_PART], phrase)
    if rng.random() < 0.15:
        _pickup(rng, piece, rows)
    if rows.steps % 3 == 0 and rng.random() < FOUR_ROWS:
        _by_custom(rng, piece, rows.steps)
    return piece


def _written(rng: Rng, bpm: float) -> float:
    return float(round(bpm)) if rng.random() < WHOLE else bpm


def _by_custom(rng: Rng, piece: Piece, steps: int) -> None:
    """Rows of three or six counted by fours all the same, as a tracker's display has them: nobody could hear
    it, unless only the written tempo is a whole number."""
    piece.notes[:] = [(x * steps / 4, long * steps / 4, *rest) for x, long, *rest in piece.notes]
    piece.bpm, piece.count = _written(rng, piece.bpm * steps / 4), piece.count * steps // 4
    piece.beats = piece.group = int(rng.choice([3, 4]))
    piece.meter, piece.levels = f"{piece.beats}/4", levels(piece.bpm, False)


def _meter(rng: Rng, manner: str) -> tuple[str, Rows, float]:
    if manner == "ternary":
        meter = str(rng.choice(["6/8", "12/8", "12/8"]))
        return meter, Rows(METERS[meter], 3, 0.12), 0.5
    if manner == "waltz":
        return "3/4", Rows(3, int(rng.choice([2, 4, 4])), 0.2), 0.5
    if manner == "shuffle":
        return "4/4", Rows(4, 2, 0.0), float(rng.uniform(0.62, 0.68))
    if manner == "sixes":
        return "4/4", Rows(4, 6, 0.15), 0.5
    swing = 0.5 if rng.random() < 0.85 else float(rng.uniform(0.53, 0.62))
    return "4/4", Rows(4, 4 if rng.random() < 0.85 else 2, 0.75 if manner == "crossed" else 0.08), swing


def _gate(rng: Rng, bars: int, phrase: int) -> np.ndarray:
    """Bars in which a part plays: it comes and goes by phrases."""
    on = np.ones(bars, bool)
    for start in range(0, bars, phrase):
        if rng.random() < 0.2:
            on[start : start + phrase] = False
    return on if on.any() else ~on


def _gates(rng: Rng, bars: int, phrase: int) -> list[np.ndarray]:
    """Bars in which each part plays and, last, the drums: each on its own, or by sections that all share."""
    if rng.random() < 0.5:
        return [_gate(rng, bars, phrase) for _ in range(DRUM_PART + 1)]
    gates = [np.zeros(bars, bool) for _ in range(DRUM_PART + 1)]
    start, before = 0, 1.0
    while start < bars:
        size = phrase * int(rng.choice([1, 1, 2, 2, 4])) + int(rng.choice([0] * 10 + [1, -1]))
        full = float(rng.choice([0.35, 0.6, 1.0], p=[0.4, 0.3, 0.3] if before == 1.0 else [0.1, 0.2, 0.7]))
        for part, gate in enumerate(gates):
            gate[start : start + max(size, 1)] = rng.random() < (full if part < DRUM_PART else full**2)
        start, before = start + max(size, 1), full
    return [gate if gate.any() else ~gate for gate in gates]


def _pickup(rng: Rng, piece: Piece, rows: Rows) -> None:
    """The first bar keeps only its end, mostly of one part."""
    rows_kept = int(rng.integers(1, rows.bar // 2 + 1))
    start = rows.beats - rows_kept / rows.steps
    first = [n for n in piece.notes if start - 1e-6 <= n[0] < rows.beats]
    parts = sorted({n[3] for n in first})
    kept = {int(rng.choice(parts))} if parts and rng.random() < 0.7 else set(parts)
    piece.notes[:] = [n for n in piece.notes if n[0] >= rows.beats] + [n for n in first if n[3] in kept]


def grouping(rng: Rng, rows: Rows) -> list[int]:
    """Accented rows of one bar: crossed (threes, 3+3+2, dotted; twos, fours over threes) or with the beat."""
    bar = rows.bar
    if rng.random() < rows.crossed:
        if rows.steps == 3 and rng.random() < 0.5:
            return list(range(0, bar, int(rng.choice([2, 2, 4]))))
        kind = int(rng.integers(5))
        if kind == 0:
            return list(range(0, bar, 3))
        if kind == 1 and bar % 8 == 0:
            return [a + b for a in range(0, bar, 8) for b in (0, 3, 6)]
        if kind == 2 and bar == 16:
            return [[0, 3, 6, 9, 12, 14], [0, 3, 6, 10, 12], [0, 3, 7, 10, 13], [0, 6, 12]][rng.integers(4)]
        if kind == 3:
            return list(range(0, bar, 6))
        return [0, *(int(k) for k in np.flatnonzero(rng.random(bar) < 0.35) if k)]
    kind = int(rng.integers(4))
    if kind == 0:
        return [0]
    if kind == 1:
        return list(range(0, bar, max(rows.steps * 2, 1)))
    if kind == 2:
        return list(range(0, bar, max(rows.steps // 2, 1)))
    return list(range(0, bar, rows.steps))


def _row(
    rng: Rng, piece: Piece, part: int, rows: Rows, base: int, harmony: Harmony, gate: np.ndarray
) -> None:
    """An arpeggio or ostinato: every row or only the accents; its cycle may run on over the bar line."""
    accents, only = grouping(rng, rows), rng.random() < 0.4
    crossing = rng.random() < rows.crossed
    cycle = int(rng.choice([3, 3, 6, 5] if crossing else [rows.steps, 2 * rows.steps, rows.bar]))
    running, stride = rng.random() < 0.4, int(rng.choice([1, 1, 2])) if rows.steps == 4 else 1
    use_cycle = rng.random() < 0.6
    for bar in np.flatnonzero(gate):
        root, shape = harmony.chords[bar]
        for k in range(0, rows.bar, stride):
            j = int(bar) * rows.bar + k if running else k
            hot = j % cycle == 0 if use_cycle else k in accents
            if only and not hot:
                continue
            tone = shape[(j % cycle if use_cycle else k) // stride % len(shape)] + 12 * (
                hot and rng.random() < 0.1
            )
            at = bar * rows.beats + k / rows.steps
            piece.notes.append(
                (at, 0.9 * stride / rows.steps, base + (root + 6) % 12 - 6 + tone, part, 0.8 if hot else 0.55)
            )


def _line(rng: Rng, piece: Piece, part: int, rows: Rows, harmony: Harmony, gate: np.ndarray) -> None:
    """A tune of two or four bars that comes again."""
    long_s = [1, 1, 3, 3, 6] if rng.random() < rows.crossed else [1, 2, 2, 4, 4, 8]
    if rows.steps % 3 == 0:
        long_s = [1, 1, 2, 3, 3, 6] if rows.steps == 3 else [2, 3, 3, 6, 6, 12]
    span = rows.bar * int(rng.choice([1, 2, 2, 4]))
    here, x, phrase = 4, 0, []
    while x < span:
        long = int(rng.choice(long_s))
        here = int(np.clip(here + rng.choice([-2, -1, 0, 1, 2]), 0, 11))
        if rng.random() < 0.85:
            degree = here % len(harmony.melody)
            phrase.append((x, long, harmony.melody[degree] + 12 * (here // len(harmony.melody))))
        x += long
    base = 60 + (harmony.tonic + 6) % 12 - 6
    for start in range(0, piece.count * rows.steps, span):
        for x, long, pitch in phrase:
            at = start + x
            if at < piece.count * rows.steps and x < span and gate[at // rows.bar]:
                piece.notes.append((at / rows.steps, long * 0.9 / rows.steps, base + pitch, part, 0.75))


def _chords(rng: Rng, piece: Piece, part: int, rows: Rows, harmony: Harmony, gate: np.ndarray) -> None:
    held, places = rng.random() < 0.5, grouping(rng, rows)
    for bar in np.flatnonzero(gate):
        root, shape = harmony.chords[bar]
        for k in [0] if held else places:
            long = rows.beats * 0.98 if held else 0.4
            at = bar * rows.beats + k / rows.steps
            piece.notes += [(at, long, 48 + (root + t) % 12, part, 0.5) for t in shape]


def _bass(rng: Rng, piece: Piece, part: int, rows: Rows, harmony: Harmony, gate: np.ndarray) -> None:
    places, octaves = grouping(rng, rows), rng.random() < 0.3
    if rng.random() < 0.25:
        places = list(range(0, rows.bar, {3: 1, 6: 3}.get(rows.steps, 2)))
    for bar in np.flatnonzero(gate):
        root = 33 + (harmony.chords[bar][0] - 9) % 12
        for n, k in enumerate(places):
            at = bar * rows.beats + k / rows.steps
            piece.notes.append((at, 0.4, root + 12 * (octaves and n % 2), part, 0.8))


def _kit(rng: Rng, piece: Piece, rows: Rows, gate: np.ndarray, phrase: int) -> None:
    """Kick, snare, hats; the snare on the backbeat, at half time, on crossed rows, or none."""
    kind = int(rng.integers(6))
    kicks = [0, *grouping(rng, rows)] if kind in (2, 3) else list(range(0, rows.bar, 2 * rows.steps))
    if kind == 1:
        kicks = list(range(0, rows.bar, rows.steps))
    back = {2: [1], 3: [1, 2] if rng.random() < 0.5 else [2], 4: [1, 3] if kind != 4 else [2]}[rows.beats]
    snares = [b * rows.steps for b in back] if kind != 5 else grouping(rng, rows)[1:]
    if kind == 0 and rng.random() < 0.4:
        snares = []
    every = int(rng.choice([1, 2, rows.steps])) if rows.steps == 4 else 1
    hats = list(range(0, rows.bar, every)) if rng.random() < 0.8 else grouping(rng, rows)
    if rows.steps == 6:
        inside = SIXES[int(rng.integers(len(SIXES)))]
        hats = [6 * beat + k for beat in range(rows.beats) for k in inside]
    hat, snare = int(rng.choice([HAT, HAT, OPEN, RIDE, SHAKER])), int(rng.choice([SNARE, SNARE, CLAP, LOW]))
    other = [0, *grouping(rng, rows)] if rng.random() < 0.25 else kicks  # of every second bar
    crash = rng.random() < 0.3
    for bar in np.flatnonzero(gate):
        fill = bar % phrase == phrase - 1 and rng.random() < 0.4
        if crash and bar % phrase == 0:
            piece.notes.append((float(bar * rows.beats), 2.0, CRASH, DRUMS, 0.7))
        for places, voice, loud in (
            (set(other if bar % 2 else kicks), KICK, 0.85),
            (set(snares), snare, 0.8),
            (set(hats), hat, 0.5),
        ):
            for k in places:
                if not (fill and k >= rows.bar - rows.steps):
                    at = bar * rows.beats + k / rows.steps
                    piece.notes.append((at, 0.2, voice, DRUMS, loud - 0.1 * (k % rows.steps > 0)))
        if fill:
            for k in range(rows.bar - rows.steps, rows.bar):
                at = bar * rows.beats + k / rows.steps
                piece.notes.append((at, 0.2, int(rng.choice([SNARE, TOM, LOW])), DRUMS, 0.75))
