"""Which chord sounds when."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from demo.spec import BeatSpec
from demo.styles import STYLES
from demo.theory import SCALES, Chord, diatonic, draw_loop

RELATIVE_LOOPS = ("6 4 1 5", "1 5 6 4", "4 1 5 6", "6 1 4 5")  # degrees of the major key


@dataclass(frozen=True, slots=True)
class Span:
    """A chord from `start` to `end`, in beats from bar one; `shift`: the key's transposition there."""

    start: float
    end: float
    chord: Chord
    shift: int
    section: int


def scale_pitches(spec: BeatSpec, shift: int) -> list[int]:
    return sorted((spec.tonic + shift + step) % 12 for step in SCALES[spec.mode])


def draw_harmony(spec: BeatSpec) -> list[Span]:
    """Chord spans that fill all sections; one loop for each section name, sevenths by taste."""
    rng = np.random.default_rng([spec.seed, 2])
    style = STYLES[spec.style]
    bar = style.beats
    loops: dict[str, list[tuple[Chord, float]]] = {}
    total = sum(s.bars for s in spec.sections) * bar
    out: list[Span] = []
    at = 0.0
    early = 0.5 if style.steps == 4 and rng.random() < (0.15 if spec.kind == "song" else 0.05) else 0.0
    seventh = rng.random() * rng.choice([0, 0.5, 1])
    for index, section in enumerate(spec.sections):
        shift = spec.key_shift[1] if spec.key_shift and at >= spec.key_shift[0] * total else 0
        name = section.name if section.name in ("hook", "bridge") else "verse"
        if name not in loops:
            same = "verse" in loops and rng.random() < 0.55
            loops[name] = loops["verse"] if same else _loop(rng, spec, bar, float(seventh))
        end = at + section.bars * bar
        k = 0
        while at < end - 1e-9:
            chord, beats = loops[name][k % len(loops[name])]
            stop = min(at + beats, end)
            out.append(Span(at, stop, chord.moved(shift), shift, index))
            at, k = stop, k + 1
    return _earlier(out, early) if early else out


def _earlier(spans: list[Span], beats: float) -> list[Span]:
    """Each chord but the first comes `beats` early, ahead of its bar line (anticipation)."""
    last = len(spans) - 1
    return [
        replace(s, start=s.start - beats * (k > 0), end=s.end - beats * (k < last))
        for k, s in enumerate(spans)
    ]


def _loop(rng: np.random.Generator, spec: BeatSpec, bar: int, seventh: float) -> list[tuple[Chord, float]]:
    tonic, mode = spec.tonic, spec.mode
    tokens = draw_loop(rng, mode)
    if spec.relative:
        tokens = str(rng.choice(RELATIVE_LOOPS)).split()
        tonic, mode = (tonic, mode) if mode == "major" else ((tonic + 3) % 12, "major")
    pace = float(rng.choice([0.5, 1, 2], p=[0.35, 0.55, 0.1] if spec.kind == "song" else [0.08, 0.72, 0.2]))
    if len(tokens) >= 8:
        pace = min(pace, 1.0)
    if bar % 2 and pace < 1:
        pace = 1.0
    out = []
    for token in tokens:
        chord = diatonic(tonic, mode, token, bool(rng.random() < seventh))
        if chord.quality in ("", "m") and ":" not in token and rng.random() < 0.04:
            chord = Chord(chord.root, str(rng.choice(["sus2", "sus4"])))
        out.append((chord, pace * bar))
    if rng.random() < 0.12 and len(out) >= 3 and bar % 2 == 0:  # two quick chords, then a long one
        out[0], out[1] = (out[0][0], out[0][1] * 1.5), (out[1][0], out[1][1] * 0.5)
    return out
