"""Bass parts: from whole-note roots to gliding sub drums."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from demo.groove import Hit
from demo.harmony import Span, scale_pitches
from demo.spec import BeatSpec
from demo.styles import STYLES

Rng = np.random.Generator


class Note(NamedTuple):
    beat: float
    length: float  # beats
    pitch: int  # MIDI number
    velocity: float
    glide_to: int = 0  # MIDI number; 0: none
    offset_s: float = 0.0  # strummed strings come later than the beat


def low_root(pitch_class: int, lowest: int) -> int:
    """The lowest MIDI note of a pitch class that is not below `lowest`."""
    return lowest + (pitch_class - lowest) % 12


def rhythm(rng: Rng, kind: str, beats: int, steps: int) -> list[float]:
    """Onsets in a bar for a named bass rhythm, beats from the bar line."""
    thirds = [x for k in range(beats) for x in (float(k), k + 2 / 3)]
    tresillo = [x for x in (0, 0.75, 1.5, 2, 2.75, 3.5) if x < beats]
    cuts = sorted(
        {0.0, *(float(rng.integers(1, beats * steps)) / steps for _ in range(int(rng.integers(1, 6))))}
    )
    return {
        "roots": [0.0],
        "halves": [0.0, beats / 2] if beats % 2 == 0 else [0.0, beats - 1.0],
        "beats": [float(k) for k in range(beats)],
        "walking": [float(k) for k in range(beats)],
        "eighths": [k / 2 for k in range(2 * beats)] if steps == 4 else [k / 3 for k in range(3 * beats)],
        "octaves": [k / 2 for k in range(2 * beats)],
        "sixteenths": [k / 4 for k in range(4 * beats) if k % 4 or rng.random() < 0.3],
        "offbeat": [k + 0.5 for k in range(beats)],
        "shuffled": thirds,
        "tresillo": tresillo[:3] if rng.random() < 0.4 else tresillo,
    }.get(kind, cuts)


def _pitches(rng: Rng, kind: str, root: int, span: Span, n: int, scale: list[int]) -> list[int]:
    if kind == "octaves":
        return [root + 12 * (k % 2) for k in range(n)]
    if kind == "walking":
        tones = [root + (p - root) % 12 for p in (*span.chord.tones, *scale)]
        return [root] + [int(rng.choice(tones[1:])) for _ in range(n - 1)]
    colour = rng.choice([0.0, 0.15, 0.4])
    fifth = root + (span.chord.tones[2] - span.chord.root) % 12
    others = [root, root + 12, fifth, fifth - 12 if fifth - 12 > 24 else fifth, root + (scale[0] - root) % 12]
    return [root] + [int(rng.choice(others)) if rng.random() < colour else root for _ in range(n - 1)]


def draw_bass(spec: BeatSpec, spans: list[Span], drums: list[Hit]) -> tuple[str, list[Note]]:
    """-> (kind of sound: "808", "sub", "bass"), notes of all sections that have a bass layer."""
    rng = np.random.default_rng([spec.seed, 4])
    style = STYLES[spec.style]
    kind = str(rng.choice(style.bass))
    lowest = int(rng.integers(26, 34))
    period = int(rng.choice([1, 1, 2, 4]))
    patterns = [rhythm(rng, kind, style.beats, style.steps) for _ in range(period)]
    kicks = np.array(sorted({h.beat for h in drums if h.voice == "kick"}))
    gate = float(rng.choice([0.35, 0.6, 0.9, 1.0, 1.0]))
    inversions = float(rng.choice([0.0, 0.0, 0.1, 0.3]))
    pedal = bool(rng.random() < 0.04)
    notes: list[Note] = []
    for span in spans:
        if "bass" not in spec.sections[span.section].layers:
            continue
        onsets = _onsets(span, kind, patterns, kicks, style.beats, rng)
        root = low_root(_bass_tone(rng, spec, span, inversions, pedal), lowest)
        pitches = _pitches(rng, kind, root, span, len(onsets), scale_pitches(spec, span.shift))
        ends = [*onsets[1:], span.end]
        for on, end, pitch in zip(onsets, ends, pitches, strict=True):
            glides = kind == "glide" or (kind.startswith("808") and rng.random() < 0.1)
            glide = pitch + int(rng.choice([12, 7, 5, -5])) if glides and rng.random() < 0.3 else 0
            notes.append(Note(on, (end - on) * gate, pitch, float(rng.uniform(0.75, 1)), glide))
    sound = "808" if kind.startswith(("808", "glide")) else ("sub" if rng.random() < 0.25 else "bass")
    return sound, notes


def _bass_tone(rng: Rng, spec: BeatSpec, span: Span, inversions: float, pedal: bool) -> int:
    """Root; now and then the third or fifth of the chord, or the tonic held under everything."""
    if pedal:
        return (spec.tonic + span.shift) % 12
    return span.chord.tones[int(rng.integers(1, 3))] if rng.random() < inversions else span.chord.root


def _onsets(
    span: Span, kind: str, patterns: list[list[float]], kicks: np.ndarray, bar: int, rng: Rng
) -> list[float]:
    """Bass onsets inside a chord span; the root on the chord change nearly always."""
    inside = kicks[(kicks >= span.start - 1e-6) & (kicks < span.end - 1e-6)]
    if kind in ("kick", "808 kick") and len(inside):
        onsets: list[float] = [float(x) for x in inside]
    else:
        first, last = int(span.start // bar), int(np.ceil(span.end / bar))
        onsets = [b * bar + x for b in range(first, last) for x in patterns[b % len(patterns)]]
        onsets = [x for x in onsets if span.start - 1e-6 <= x < span.end - 1e-6]
    if not onsets or (
        onsets[0] - span.start > 0.1 and kind not in ("offbeat", "sixteenths") and rng.random() < 0.8
    ):
        onsets = [span.start, *onsets]
    return onsets
