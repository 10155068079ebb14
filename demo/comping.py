"""Chord parts: held, broken, strummed, stabbed or arpeggiated chords with voice leading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from demo.bassline import Note, low_root
from demo.harmony import Span, scale_pitches
from demo.spec import BeatSpec
from demo.styles import SONG_COMP, STYLES, Style

Rng = np.random.Generator
ARPEGGIOS = ("arpeggio", "steps arpeggio", "broken", "travis", "melodic")

FIGURES: tuple[tuple[float, ...], ...] = (
    (0, 1.5), (0, 2.5), (0, 0.75, 1.5), (0, 1.5, 2.5, 3), (0, 0.75, 1.75, 2.5), (0.5, 1.5, 3), (0, 1, 2.5),
    (0, 0.75, 1.5, 2.5), (0.5, 1.5, 2.5, 3.5), (0, 1.75, 3), (0.75, 2.5), (0, 3.5),
)  # fmt: skip
STRUMS: tuple[tuple[float, ...], ...] = (
    (0, 1, 1.5, 2.5, 3, 3.5), (0, 1, 2, 2.5, 3, 3.5), (0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5), (0, 1.5, 2, 3),
    (0, 1, 1.5, 2, 3, 3.5), (0, 0.75, 1.5, 2, 2.75, 3.5), (0, 1.5, 2.5, 3.5),
)  # fmt: skip


def voicing(chord_tones: tuple[int, ...], centre: float, before: list[int]) -> list[int]:
    """Pitches of a chord close to the last voicing: for each tone the octave that moves least."""
    if not before:
        return sorted(low_root(t, int(centre) - 6) for t in chord_tones)
    middle = 0.7 * float(np.mean(before)) + 0.3 * centre
    return sorted(low_root(t, round(middle) - 6) for t in chord_tones)


def _steps(rng: Rng, kind: str, style: Style) -> list[float]:
    """Onsets in a bar for a named chord rhythm."""
    n, beats = style.beats, [float(k) for k in range(style.beats)]
    third = style.steps == 3
    grid = n * style.steps
    weights = rng.uniform(0, 1, grid) * np.where(np.arange(grid) % style.steps == 0, 0.7, 1.0)
    syncopated = sorted((np.argsort(-weights)[: int(rng.integers(2, 6))] / style.steps).tolist())
    figure = FIGURES[int(rng.integers(len(FIGURES)))] if not third else syncopated
    table: dict[str, Sequence[float]] = {
        "held": [0.0],
        "pulse beats": beats[1::2],
        "pulse": beats,
        "beats": beats,
        "offbeat": [k + (2 / 3 if third else 0.5) for k in beats],
        "eighth chugs": [k / 2 for k in range(2 * n)],
        "waltz": beats[1:],
        "swing68": [x for k in beats for x in (k, k + 2 / 3)],
        "shuffled": [x for k in beats for x in (k, k + 2 / 3)],
        "strum": STRUMS[int(rng.integers(len(STRUMS)))],
        "scratch": [float(k) / 4 for k in range(4 * n) if rng.random() < 0.55],
        "syncopated": syncopated,
        "stabs": figure,
        "chops": figure,
    }
    if kind in ARPEGGIOS:
        per = 3 if third else int(rng.choice([2, 2, 4, 3 if style.beats == 4 and rng.random() < 0.2 else 2]))
        return [k / per for k in range(n * per)]
    return [float(x) for x in table.get(kind, beats) if x < n]


def _order(rng: Rng, kind: str, size: int, n: int) -> list[int]:
    """Which tone of the voicing each arpeggio step plays."""
    up = list(range(size))
    cycles = [up, up[::-1], [*up, *up[-2:0:-1]], [0, size - 1, 1, size - 1], [0, 1, size - 1, 1],
              [0, *rng.permutation(size).tolist()], rng.integers(0, size, 8).tolist()]  # fmt: skip
    cycle = cycles[int(rng.integers(len(cycles)))]
    if kind == "travis":
        cycle = [0, size - 1, 1, size - 2]
    return [int(cycle[k % len(cycle)]) % size for k in range(n)]


def _play(rng: Rng, pitches: list[int], on: float, length: float, strum_s: float, vel: float) -> list[Note]:
    """All pitches together, or one after the other `strum_s` apart."""
    down = pitches if rng.random() < 0.8 else pitches[::-1]
    return [
        Note(on, length, p, vel * float(rng.uniform(0.85, 1)), 0, k * strum_s) for k, p in enumerate(down)
    ]


@dataclass(frozen=True, slots=True)
class Manner:
    """How one player plays chords throughout a piece; by kind of section where it differs."""

    kinds: dict[str, str]
    centre: float  # MIDI number that the voicings stay near
    steps: dict[str, list[list[float]]]  # onsets in a bar, for one bar or two
    order: dict[str, list[int]]  # tones of an arpeggio
    gate: float  # share of the time to the next onset that a chord is held
    strum_s: float
    rolled_s: float
    left_hand: str  # "", "root", "halves" or "rolling"
    push: float  # beats that a held chord comes early
    ninth: bool


def _pattern(rng: Rng, kind: str, style: Style) -> list[list[float]]:
    return [_steps(rng, kind, style) for _ in range(int(rng.choice([1, 1, 2])))]


def _draw_manner(rng: Rng, spec: BeatSpec, style: Style, layer: str) -> Manner:
    song = spec.kind == "song"
    kind = {"pad": "held", "arp": "steps arpeggio" if style.steps == 3 else "arpeggio"}.get(layer, "")
    choices = style.comp + (SONG_COMP[style.steps] if song else ())
    kinds = {name: kind or str(rng.choice(choices)) for name in ("verse", "hook", "bridge")}
    if rng.random() < 0.5:
        kinds = dict.fromkeys(kinds, kinds["verse"])
    return Manner(
        kinds=kinds,
        centre=float(rng.uniform(50, 70)) + (10 if layer == "arp" else 0),
        steps={name: _pattern(rng, k, style) for name, k in kinds.items()},
        order={name: _order(rng, k, 3, 48) for name, k in kinds.items()},
        gate=float(rng.choice([0.25, 0.5, 0.9, 1.0])),
        strum_s=float(rng.uniform(0.006, 0.025)) if "strum" in kinds.values() else 0.0,
        rolled_s=float(rng.choice([0, 0, 0, 0.01, 0.03])),
        left_hand=_draw_left_hand(rng, song) if layer == "chords" else "",
        push=0.5 if rng.random() < (0.12 if song else 0.05) and style.steps == 4 else 0.0,
        ninth=layer != "arp" and rng.random() < 0.15,
    )


def draw_comping(spec: BeatSpec, spans: list[Span], layer: str, stream: int) -> tuple[str, list[Note]]:
    """-> (texture, notes) of a chord layer ("chords", "pad" or "arp")."""
    rng = np.random.default_rng([spec.seed, stream])
    style = STYLES[spec.style]
    manner = _draw_manner(rng, spec, style, layer)
    notes: list[Note] = []
    last: list[int] = []
    for span in spans:
        section = spec.sections[span.section]
        if layer not in section.layers:
            continue
        name = section.name if section.name in ("hook", "bridge") else "verse"
        tones = voicing(span.chord.tones, manner.centre, last)
        if manner.kinds[name] == "broken" or (len(tones) == 3 and rng.random() < 0.1):
            tones = sorted([*tones, tones[0] + 12])
        last = tones
        notes += _bars(rng, span, manner, name, tones + _ninth(spec, span, manner, tones), style.beats)
        if manner.left_hand:
            notes += _left_hand(rng, span, style, manner.left_hand)
    return manner.kinds["verse"], notes


def _ninth(spec: BeatSpec, span: Span, manner: Manner, tones: list[int]) -> list[int]:
    """A ninth above the chord where the scale has it and the player adds them; the label does not change."""
    ninth = (span.chord.root + 2) % 12
    wanted = manner.ninth and span.chord.quality in ("m7", "maj7", "")
    return [low_root(ninth, max(tones) - 4)] if wanted and ninth in scale_pitches(spec, span.shift) else []


def _bars(rng: Rng, span: Span, manner: Manner, section: str, tones: list[int], bar: int) -> list[Note]:
    """One chord span in the manner of its section."""
    kind, steps, order = manner.kinds[section], manner.steps[section], manner.order[section]
    strum = manner.strum_s if kind == "strum" else manner.rolled_s
    if kind == "held":
        on = span.start - (manner.push if span.start > 0 else 0)
        return _play(rng, tones, on, span.end - span.start, strum, float(rng.uniform(0.7, 1)))
    first, last = int(span.start // bar), int(np.ceil(span.end / bar))
    onsets = [b * bar + x for b in range(first, last) for x in steps[b % len(steps)]]
    onsets = [x for x in onsets if span.start - 1e-6 <= x < span.end - 1e-6] or [span.start]
    if (
        span.start % 1 and abs(onsets[0] - span.start) > 1e-6
    ):  # a chord that comes ahead of the beat is struck
        onsets = [span.start, *onsets]
    out = []
    accent = rng.uniform(0, 0.4)
    for k, on in enumerate(onsets):
        until = onsets[k + 1] if k + 1 < len(onsets) else span.end
        vel = float(rng.uniform(0.6, 0.8) + (accent if abs(on % 1) < 1e-6 else 0))
        if kind in ARPEGGIOS:
            if kind == "melodic" and rng.random() < 0.35:
                continue
            pitch = tones[order[(k + int(on)) % len(order)] % len(tones)]
            out.append(Note(on, max(until - on, manner.gate), pitch, vel))
        else:
            out += _play(rng, tones, on, (until - on) * manner.gate, strum, vel)
    return out


def _draw_left_hand(rng: Rng, song: bool) -> str:
    return (
        str(rng.choice(["root", "root", "halves", "rolling"]))
        if rng.random() < (0.7 if song else 0.3)
        else ""
    )


def _left_hand(rng: Rng, span: Span, style: Style, kind: str) -> list[Note]:
    """Piano left hand or thumb: roots on the change, each half bar alike, or rolling through the octave."""
    root, length = low_root(span.chord.root, 33), span.end - span.start
    half = style.beats / 2 if style.beats % 2 == 0 else float(style.beats)
    if kind == "rolling":
        step = 1 / style.steps * (2 if style.steps == 4 else 1)
        turn = [0, 7, 12, 7] if style.steps == 4 else [0, 7, 12]
        return [
            Note(span.start + k * step, 2 * step, root + turn[k % len(turn)], float(rng.uniform(0.6, 0.8)))
            for k in range(int(length / step))
        ]
    if kind == "halves":
        count = max(int(length / half), 1)
        return [Note(span.start + k * half, half, root, float(rng.uniform(0.75, 0.9))) for k in range(count)]
    out = [Note(span.start, length, root, 0.9)]
    if rng.random() < 0.4:
        out.append(Note(span.start, length, root + 12, 0.7))
    if length > half and rng.random() < 0.6:
        fifth = root + int(rng.choice([7, 12, 0]))
        out.append(Note(span.start + half, length - half, fifth, float(rng.uniform(0.5, 0.85))))
    return out
