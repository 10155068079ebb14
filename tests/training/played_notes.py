"""What is played: notes and strokes on the beat axis, from written scores or drawn from patterns of a genre.

A `Piece` knows its meter; times are in beats from a bar line (beat 0 begins a bar), so that a performance
can move them (`played.py`). Patterns: common practice of the genres.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.training.layers import add_layers
from tests.training.lines import add_line, riff
from tests.training.pieces import (
    CRASH,
    DRUMS,
    HAT,
    KICK,
    LOW,
    OPEN,
    PEDAL,
    RIDE,
    RIM,
    SHAKER,
    SNARE,
    TOM,
    Note,
    Piece,
    levels,
)
from tests.training.progressions import Harmony, Shape, draw_harmony

Rng = np.random.Generator

# ---- from scores -------------------------------------------------------------------------------------

SOUNDS = {
    "chorale": ([52, 52, 52, 52], [19] * 4, [48] * 4, [61] * 4, [56, 60, 57, 58], [0] * 4, [73, 71, 68, 70]),
    "art": ([40, 40, 41, 42], [48] * 4, [0] * 6, [0] * 6, [6] * 6, [73, 68, 71, 70], [24] * 6, [49] * 4),
    "tune": ([110], [40], [73], [21], [105], [24], [25], [0], [15], [79], [22], [71]),
}
TEMPI = {  # beats a minute: lowest, highest
    "chorale": (58, 104), "art": (62, 150), "tune": (88, 132), "waltz": (100, 180), "compound": (60, 128),
}  # fmt: skip


def from_score(rng: Rng, score: dict[str, Any], seconds: float) -> Piece | None:
    """A stretch of a written score, with a plain accompaniment under some tunes."""
    beat, beats, bars = score["beat"], score["beats"], np.array(score["bars"])
    family = score["family"]
    compound = score["meter"] in ("6/8", "9/8", "12/8")
    if score["meter"] in ("2/2", "4/2", "3/2") and rng.random() < 0.7:
        beat, beats = beat / 2, beats * 2
    if score["meter"] in ("3/8", "6/4") or beats in (6, 8):
        return None
    low, high = TEMPI["compound" if compound else "waltz" if beats == 3 and family == "tune" else family]
    bpm = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    need = int(seconds * bpm / 60 / beats) + 2
    even = np.abs(np.diff(bars) - beat * beats) < 1e-6
    first = int(rng.integers(0, max(len(bars) - need, 0) + 1))
    length = 0
    while first + length < len(even) and even[first + length] and length < need:
        length += 1
    if length < 6:
        return None
    start, end = bars[first], bars[first] + (length + 1) * beat * beats
    notes: list[Note] = []
    for at, long, pitch, part in score["notes"]:
        if start <= at < end:
            x = (at - start) / beat
            accent = 0.62 + 0.12 * (abs(x % beats) < 1e-6) + 0.06 * (abs(x % 1) < 1e-6)
            notes.append((x, max(long / beat, 0.1) * rng.uniform(0.8, 1.0), pitch, part, accent))
    if len(notes) < 30:
        return None
    sounds = SOUNDS[family]
    programs = list(sounds[rng.integers(len(sounds))])
    parts = max(n[3] for n in notes) + 1
    programs = (programs * 6)[:parts]
    count = (length + 1) * beats
    group = 2 if beats == 2 else beats
    if beats == 2 and not compound:
        beats = 4
    piece = Piece(family, score["meter"], beats, group, count, bpm, levels(bpm, compound), notes, programs)
    piece.key = tuple(score["key"]) if score.get("key") else None
    if family == "tune" and rng.random() < 0.75:
        _accompany(rng, piece, 3 if compound else 2)
    return piece


def _accompany(rng: Rng, piece: Piece, division: int) -> None:
    """Bass on strong beats, chords between them, now and then a drum: drones on the tune's last note."""
    tonic = min(piece.notes, key=lambda n: -n[0])[2] % 12
    part, style = len(piece.programs), int(rng.integers(4))
    piece.programs += [int(rng.choice([24, 25, 0, 32, 21])), int(rng.choice([24, 25, 0, 21, 105]))]
    bar = piece.beats if piece.meter not in ("2/4",) else 2
    for b in range(piece.count):
        degree = 0 if (b // (2 * bar)) % 2 == 0 or rng.random() < 0.5 else int(rng.choice([5, 7, 10]))
        root = 36 + (tonic + degree) % 12
        strong = b % bar == 0 or (bar == 4 and b % 2 == 0)
        if strong or style == 1:
            piece.notes.append((b, 0.8, root, part, 0.7))
        if style in (0, 2) and (not strong or division == 3):
            at = b if not strong else b + 2 / 3
            piece.notes += [(at, 0.3, root + 12 + k, part + 1, 0.55) for k in (0, 7, 12, 16)]
        if style == 2 or (style == 3 and rng.random() < 0.8):
            for k in range(division):
                if rng.random() < 0.8:
                    piece.notes.append(
                        (b + k / division, 0.1, LOW if k == 0 else SHAKER, DRUMS, 0.7 - 0.2 * (k > 0))
                    )


# ---- drawn from patterns -----------------------------------------------------------------------------

# genre: (lowest, highest bpm, meter, steps in a beat, guitars/keys, bass)
GENRES: dict[str, tuple[float, float, str, int, tuple[int, ...], tuple[int, ...]]] = {
    "rock": (92, 170, "4/4", 2, (27, 29, 30, 25), (33, 34)),
    "metal": (90, 210, "4/4", 4, (30, 29), (34, 33)),
    "blues": (58, 132, "12/8", 3, (26, 27, 0, 17), (33, 32)),
    "country": (84, 200, "4/4", 2, (25, 105, 24, 0), (32, 33)),
    "jazz": (96, 240, "4/4", 3, (0, 26, 0, 11), (32, 32, 35)),
    "reggae": (66, 96, "4/4", 4, (27, 17, 26), (33, 38)),
    "disco": (104, 130, "4/4", 4, (28, 4, 48), (33, 36)),
    "funk": (88, 124, "4/4", 4, (28, 4, 7), (36, 33)),
    "pop": (70, 132, "4/4", 2, (0, 25, 27, 4), (33, 38)),
    "hiphop": (68, 112, "4/4", 4, (0, 4, 11, 26, 48, 88), (33, 38, 39)),
    "ballad": (56, 90, "4/4", 2, (0, 4, 25), (33, 35)),
    "soul": (48, 76, "12/8", 3, (0, 16, 26), (33,)),
    "waltz": (84, 180, "3/4", 2, (25, 0, 21, 24), (32, 33)),
    "bossa": (100, 160, "4/4", 4, (24, 24, 0), (32, 35)),
    "strum": (70, 150, "4/4", 4, (24, 25, 25, 105), ()),
    "keys": (60, 140, "4/4", 4, (0, 0, 1, 2, 4), ()),
}


# how often each is drawn: nine genres that people sort records by, then what lies between them
OFTEN = ("rock", "metal", "blues", "country", "jazz", "reggae", "disco", "pop", "hiphop")
GENRE_SHARES = {g: 3.0 if g in OFTEN else 1.3 for g in GENRES}
# chance that guitar and bass share a riff instead of chords
RIFFED = {
    "metal": 0.65,
    "rock": 0.3,
    "blues": 0.25,
    "hiphop": 0.35,
    "funk": 0.35,
    "reggae": 0.1,
    "disco": 0.1,
}
BOOGIE = {"blues": 0.3, "rock": 0.12, "country": 0.06}  # or fifth, sixth and seventh over each root
SOLO = {"blues": 0.15, "country": 0.1, "jazz": 0.1}  # chance of no drums


def band(rng: Rng, genre: str, seconds: float) -> Piece:
    low, high, meter, steps, chords, basses = GENRES[genre]
    bpm = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    if genre in ("strum", "keys") and rng.random() < 0.25:
        meter = "3/4"
    beats = 3 if meter == "3/4" else 4
    count = (int(seconds * bpm / 60 / beats) + 3) * beats
    swing = 0.5
    if genre in ("jazz",):
        swing = float(rng.uniform(0.56, 0.68)) if bpm > 160 else float(rng.uniform(0.6, 0.72))
    elif steps == 3:
        swing = float(rng.uniform(0.62, 0.69))
    elif rng.random() < 0.2:
        swing = float(rng.uniform(0.52, 0.62))
    programs = [int(rng.choice(chords))] + ([int(rng.choice(basses))] if basses else [])
    compound = steps == 3 and genre != "jazz"
    piece = Piece(genre, meter, beats, beats, count, bpm, levels(bpm, compound), [], programs, swing)
    found = draw_harmony(rng, genre, count // beats + 1)
    piece.key, piece.blues, harmony = (found.tonic, found.mode), found.blues, found.chords
    if genre not in ("strum", "keys") and rng.random() >= SOLO.get(genre, 0.0):
        _drums(rng, piece, genre)
    if basses and rng.random() < RIFFED.get(genre, 0.0):
        _riff(rng, piece, genre, steps, found)
    elif rng.random() < BOOGIE.get(genre, 0.0):
        _boogie(rng, piece, harmony)
        _bass(rng, piece, genre, harmony)
    else:
        _chords(rng, piece, genre, harmony)
        if basses:
            _bass(rng, piece, genre, harmony)
    if rng.random() < 0.7:
        add_line(rng, piece, steps, found, genre in ("jazz", "bossa"))
    add_layers(rng, piece, genre, steps, found)
    if rng.random() < 0.3:
        piece.late[DRUMS] = float(rng.uniform(-0.02, 0.03))
    return piece


def _draw(rng: Rng, beats: int, steps: int, strong: float, weak: float) -> list[float]:
    """Places in a bar, likelier on strong ones, repeated as a riff."""
    out = []
    for k in range(beats * steps):
        p = strong if k % steps == 0 else weak * (1.0 if steps < 4 or k % 2 == 0 else 0.6)
        if rng.random() < p:
            out.append(k / steps)
    return out or [0.0]


def _drums(rng: Rng, piece: Piece, genre: str) -> None:
    n, add = piece.beats, piece.notes.append
    fill_every, half = (
        int(rng.choice([4, 4, 8])),
        rng.random() < (0.15 if genre in ("pop", "rock", "metal") else 0),
    )
    ride = int(rng.choice([HAT, HAT, RIDE, OPEN])) if genre not in ("jazz", "bossa") else RIDE
    eighths = rng.random() < 0.7
    kicks = [x for x in _draw(rng, n, 4 if genre in ("funk", "hiphop") else 2, 0.3, 0.3) if x > 0]
    blast = genre == "metal" and rng.random() < 0.5
    for bar in range(piece.count // n):
        at = bar * n
        last = bar % fill_every == fill_every - 1 and rng.random() < 0.7
        if bar % fill_every == 0 and rng.random() < 0.5 and genre not in ("jazz", "bossa"):
            add((at, 0.5, CRASH, DRUMS, 0.8))
        for b in range(n):
            x = at + b
            if last and b >= n - 1:
                k = int(rng.choice([2, 3, 4]))
                for j in range(k):
                    add(
                        (
                            x + j / k,
                            0.2,
                            int(rng.choice([SNARE, TOM, LOW])),
                            DRUMS,
                            float(rng.uniform(0.6, 0.9)),
                        )
                    )
                continue
            _beat_strokes(rng, piece, genre, x, b, ride, eighths, half, blast)
        for k in kicks:
            if (
                genre in ("rock", "pop", "metal", "funk", "country", "ballad", "hiphop")
                and rng.random() < 0.85
            ):
                add((at + k, 0.2, KICK, DRUMS, 0.75))


def _beat_strokes(
    rng: Rng, piece: Piece, genre: str, x: float, b: int, ride: int, eighths: bool, half: bool, blast: bool
) -> None:
    add, n = piece.notes.append, piece.beats
    if genre == "jazz":
        add((x, 0.2, RIDE, DRUMS, 0.6))
        if b % 2 == 1:
            add((x + 0.5, 0.2, RIDE, DRUMS, 0.45))
            add((x, 0.2, PEDAL, DRUMS, 0.55))
        if rng.random() < 0.18:
            add((x + float(rng.choice([0, 0.5])), 0.2, int(rng.choice([SNARE, RIM, KICK])), DRUMS, 0.4))
        if rng.random() < 0.5:
            add((x, 0.2, KICK, DRUMS, 0.25))
        return
    if genre == "bossa":
        for k in (0, 0.5):
            add((x + k, 0.2, HAT if rng.random() < 0.8 else SHAKER, DRUMS, 0.4))
        if (x % 8) in (0, 3, 6):
            add((x, 0.2, RIM, DRUMS, 0.5))
        if (x % 8) in (1, 4):
            add((x + 0.5, 0.2, RIM, DRUMS, 0.5))
        if b % 2 == 0:
            add((x, 0.2, KICK, DRUMS, 0.5))
        return
    if genre == "reggae":
        if b == 2:
            add((x, 0.2, KICK, DRUMS, 0.85))
            add((x, 0.2, RIM, DRUMS, 0.7))
        add((x, 0.2, HAT, DRUMS, 0.45))
        add((x + 0.5, 0.2, HAT, DRUMS, 0.6))
        return
    if genre == "disco":
        add((x, 0.2, KICK, DRUMS, 0.85))
        add((x + 0.5, 0.2, OPEN, DRUMS, 0.7))
        add((x, 0.2, HAT, DRUMS, 0.4))
    elif blast:
        for k in range(4):
            add((x + k / 4, 0.1, KICK, DRUMS, 0.65))
        add((x, 0.2, ride, DRUMS, 0.6))
    elif genre in ("country",) and rng.random() < 0.9:
        for k in range(4 if eighths else 2):
            add((x + k / (4 if eighths else 2), 0.1, SNARE, DRUMS, 0.3 + 0.35 * (k == 2) * eighths))
        if b % 2 == 0:
            add((x, 0.2, KICK, DRUMS, 0.7))
    else:
        add((x, 0.2, ride, DRUMS, 0.6))
        if eighths or piece.swing > 0.6:
            add((x + 0.5, 0.2, ride, DRUMS, 0.45))
        if b == 0 or (rng.random() < 0.3 and b == 2):
            add((x, 0.2, KICK, DRUMS, 0.85))
    back = (2,) if half else (1, 2) if n == 3 else (1, 3)
    if b in back and genre != "country":
        add((x, 0.2, SNARE if n == 4 else int(rng.choice([SNARE, HAT])), DRUMS, 0.85))
    if genre == "funk" and rng.random() < 0.4:
        add((x + float(rng.choice([0.25, 0.75])), 0.1, SNARE, DRUMS, 0.25))


def _chords(rng: Rng, piece: Piece, genre: str, harmony: list[tuple[int, Shape]]) -> None:
    n = piece.beats
    steps = {
        "metal": 4,
        "jazz": 2,
        "funk": 4,
        "bossa": 2,
        "disco": 4,
        "keys": 4,
        "strum": 4,
        "hiphop": 4,
    }.get(genre, 2)
    riff = _draw(rng, n, steps, 0.8, 0.45)
    kind = int(rng.integers(3))
    for bar, (root, shape) in enumerate(harmony):
        notes = [48 + (root + t) % 12 + 12 * (k > 1) for k, t in enumerate(shape)]
        if genre == "reggae":
            places = [b + 0.5 for b in range(n)] if kind == 0 else [1.0, 3.0]
        elif genre == "country":
            places = [1.0, 3.0] if kind else [b + 0.5 for b in range(n)]
        elif genre == "waltz":
            places = [1.0, 2.0]
        elif genre in ("ballad", "soul") or (genre == "keys" and kind == 0):
            m = 3 if genre == "soul" else 2
            arp = [k / m for k in range(n * m)]
            for k, x in enumerate(arp):
                piece.notes.append((bar * n + x, 1.0, notes[k % 3], 0, 0.6 + 0.1 * (x % 1 == 0)))
            continue
        else:
            places = riff
        if genre == "keys" or (genre == "strum" and kind):
            piece.notes += [
                (bar * n + b, 1.5, notes[0] - 12, 0, 0.65) for b in range(0, n, 2 if n == 4 else 3)
            ]
        for x in places:
            if rng.random() < 0.05:
                continue
            long = float(rng.choice([0.3, 0.5, 1.0])) if genre != "metal" else 0.25
            loud = 0.6 + 0.12 * (x == 0) + float(rng.normal(0, 0.04))
            spread = 0.015 if genre == "strum" else 0.0
            down = x * 2 % 2 < 1
            for k, p in enumerate(notes if down else notes[::-1]):
                piece.notes.append((bar * n + x + spread * k, long, p, 0, loud))


def _riff(rng: Rng, piece: Piece, genre: str, steps: int, harmony: Harmony) -> None:
    """Over the tonic throughout, or moved to the root of each bar; the bass doubles it an octave below."""
    figure, n = riff(rng, harmony, steps, piece.beats), piece.beats
    moves = rng.random() < (0.35 if genre == "metal" else 0.65)
    shape = (0, 7, 12) if genre == "metal" or (genre == "rock" and rng.random() < 0.7) else (0,)
    bars = 2 if figure[-1][0] >= n else 1
    sparse = genre == "hiphop" and rng.random() < 0.5  # the bass alone
    long = float(rng.choice([0.2, 0.4, 0.8]))
    for bar, (root, _) in enumerate(harmony.chords):
        if bar % bars and not moves:
            continue
        low = 40 + ((root if moves else harmony.tonic) - 4) % 12
        for at, tone in figure:
            if moves and at >= n:
                continue
            x, pitch = bar * n + at, low + (tone if tone < 8 or rng.random() < 0.5 else tone - 12)
            if not sparse:
                piece.notes += [(x, long, pitch + t, 0, 0.75) for t in shape]
            piece.notes.append((x, max(long, 0.4), pitch - 12, 1, 0.8))


def _boogie(rng: Rng, piece: Piece, harmony: list[tuple[int, Shape]]) -> None:
    """Two strings: the root stays, above it the fifth, sixth and now and then the seventh, in eighths."""
    n, top = piece.beats, (7, 9, 10, 9) if rng.random() < 0.5 else (7, 9, 7, 9)
    for bar, (root, shape) in enumerate(harmony):
        low = 40 + (root - 4) % 12
        for b in range(n):
            tone = 7 if 3 in shape else top[b % 4]
            for x in (bar * n + b, bar * n + b + 0.5):
                piece.notes += [(x, 0.4, low + t, 0, 0.7) for t in (0, tone)]


def _bass(rng: Rng, piece: Piece, genre: str, harmony: list[tuple[int, Shape]]) -> None:
    n, riff = piece.beats, _draw(rng, piece.beats, 2, 0.7, 0.4)
    for bar, (tone, shape) in enumerate(harmony):
        root = 33 + (tone - 9) % 12
        for b in range(n):
            x = bar * n + b
            if genre == "jazz" or (genre == "blues" and len(riff) % 2):
                tone = int(rng.choice([0, *(t % 12 for t in shape), 2, 9, 10])) if b else 0
                if b == n - 1 and bar + 1 < len(harmony) and rng.random() < 0.4:
                    tone = (harmony[bar + 1][0] - 9) % 12 + 33 - root + int(rng.choice([-1, 1]))
                piece.notes.append((x, 0.9, root + tone, 1, 0.7))
            elif genre == "country":
                if b % 2 == 0:
                    piece.notes.append((x, 0.9, root + (7 if b else 0), 1, 0.75))
            elif genre == "waltz":
                if b == 0:
                    piece.notes.append((x, 0.9, root, 1, 0.75))
            elif genre == "disco":
                piece.notes += [(x, 0.4, root, 1, 0.7), (x + 0.5, 0.4, root + 12, 1, 0.7)]
            elif genre == "bossa" and b % 2 == 0:
                piece.notes += [
                    (x, 1.4, root + (7 if b else 0), 1, 0.7),
                    (x + 1.5, 0.4, root + 7, 1, 0.5),
                ]
        if genre in ("rock", "metal", "reggae", "funk", "pop", "ballad", "soul", "hiphop") or (
            genre == "blues" and len(riff) % 2 == 0
        ):
            for x in sorted({*riff, *([0.0] if genre != "reggae" or rng.random() < 0.5 else [])}):
                piece.notes.append((bar * n + x, 0.5, root + int(rng.choice([0, 0, 0, 7, 12])), 1, 0.75))


# ---- no beat ---------------------------------------------------------------------------------------------


def beatless(rng: Rng, seconds: float) -> Piece:
    """Notes at free times and drones; one "beat" a second, none of them true."""
    piece = Piece(
        "none",
        "",
        4,
        4,
        int(seconds) + 2,
        60.0,
        (),
        [],
        [int(rng.choice([0, 24, 46, 48, 52, 88, 89, 91, 73, 42, 68]))],
    )
    rate = float(np.exp(rng.uniform(np.log(0.15), np.log(4.0))))
    x = float(rng.exponential(1 / rate))
    while x < seconds:
        size = int(rng.choice([1, 1, 1, 2, 3]))
        for _ in range(size):
            piece.notes.append(
                (x, float(rng.uniform(0.3, 6.0)), int(rng.integers(40, 84)), 0, float(rng.uniform(0.3, 0.8)))
            )
        gap = rng.exponential(1 / rate) if rng.random() < 0.7 else rng.uniform(0.2, 1.8) / rate
        x += max(float(gap), 0.06)
    if rng.random() < 0.4:
        piece.notes += [(0.0, seconds, int(rng.integers(30, 60)), 0, 0.5)]
    return piece
