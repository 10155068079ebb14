"""Melodies: motifs on the scale that lean on chord tones, repeat, and lead into phrases with pickups."""

from __future__ import annotations

import numpy as np

from demo.bassline import Note
from demo.harmony import Span, scale_pitches
from demo.spec import BeatSpec
from demo.styles import STYLES, Style

Rng = np.random.Generator


def _motif_rhythm(rng: Rng, style: Style, bars: int, density: float) -> list[float]:
    """Onsets of a motif of whole bars; strong steps are likelier, not certain."""
    grid = style.steps
    unit = grid if rng.random() < 0.4 or grid == 3 else 2
    k = np.arange(bars * style.beats * unit)
    weight = np.where(k % unit == 0, 1.0, 0.6)
    shift = rng.uniform(0.2, 1.0)
    chance = np.clip(density * weight * rng.choice([0.3, 1.0, 1.5], len(k)) * shift * 2, 0, 0.95)
    onsets = k[rng.random(len(k)) < chance] / unit
    return onsets.tolist() or [0.0]


def _nearest(pitch_classes: list[int], near: float) -> int:
    options = [12 * octave + pc for octave in range(2, 9) for pc in pitch_classes]
    return min(options, key=lambda p: abs(p - near))


def draw_melody(spec: BeatSpec, spans: list[Span]) -> list[Note]:
    rng = np.random.default_rng([spec.seed, 7])
    style = STYLES[spec.style]
    phrase = int(rng.choice([1, 2, 2, 4]))
    density = float(rng.uniform(0.12, 0.6))
    motifs = [_motif_rhythm(rng, style, phrase, density) for _ in range(int(rng.integers(1, 4)))]
    contours = [np.cumsum(rng.choice([-2, -1, -1, 0, 1, 1, 2], len(m))) for m in motifs]
    centre = float(rng.uniform(64, 82))
    lead_in = float(rng.choice([0, 0.5, 1.0, 1.5])) if rng.random() < 0.5 else 0.0
    gate = float(rng.uniform(0.5, 1.0))
    starts = np.array([s.start for s in spans])
    notes: list[Note] = []
    at = 0
    for section in spec.sections:
        if "lead" in section.layers:
            for bar in range(at, at + section.bars, phrase):
                k = int(rng.integers(len(motifs))) if rng.random() < 0.6 else 0
                begin = bar * style.beats
                until = min(bar + phrase, at + section.bars) * style.beats
                notes += _phrase(rng, spec, spans, starts, motifs[k], contours[k], begin, until, centre, gate)
                if lead_in and begin > 0:
                    notes += _pickup(rng, spec, spans, starts, begin, lead_in, centre)
        at += section.bars
    return notes


def _phrase(rng: Rng, spec: BeatSpec, spans: list[Span], starts: np.ndarray, motif: list[float],
            contour: np.ndarray, begin: float, until: float, centre: float,
            gate: float) -> list[Note]:  # fmt: skip
    out = []
    for k, x in enumerate(motif):
        on = begin + x
        if on >= until or rng.random() < 0.06:
            continue
        end = min(begin + motif[k + 1] if k + 1 < len(motif) else until, until, on + 4)
        span = spans[int(np.searchsorted(starts, on + 1e-6, "right")) - 1]
        strong = abs(on - round(on)) < 1e-6
        pool = list(span.chord.tones) if strong and rng.random() < 0.75 else scale_pitches(spec, span.shift)
        pitch = _nearest(pool, centre + 1.7 * float(contour[k]))
        out.append(Note(on, max((end - on) * gate, 0.1), pitch, float(rng.uniform(0.6, 1))))
    return out


def _pickup(rng: Rng, spec: BeatSpec, spans: list[Span], starts: np.ndarray, begin: float, length: float,
            centre: float) -> list[Note]:  # fmt: skip
    span = spans[int(np.searchsorted(starts, begin - 0.01, "right")) - 1]
    scale = scale_pitches(spec, span.shift)
    return [
        Note(
            begin - x, 0.4, _nearest(scale, centre + float(rng.uniform(-4, 4))), float(rng.uniform(0.5, 0.9))
        )
        for x in np.arange(length, 0, -0.5)
    ]
