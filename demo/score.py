"""The written music of a beat: all notes and strokes on the beat axis, before any sound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo.bassline import Note, draw_bass, low_root
from demo.comping import draw_comping
from demo.groove import Hit, draw_drums
from demo.harmony import Span, draw_harmony
from demo.melody import draw_melody
from demo.spec import DRUMS, BeatSpec
from demo.styles import STYLES
from demo.theory import diatonic


@dataclass(frozen=True, slots=True)
class Part:
    role: str  # "bass", "chords", "pad", "arp", "lead"
    texture: str
    notes: list[Note]


@dataclass(frozen=True, slots=True)
class Score:
    beats: int  # length in beats from bar one
    spans: list[Span]
    hits: list[Hit]
    parts: list[Part]


def section_starts(spec: BeatSpec) -> list[int]:
    """First beat of each section, and the end."""
    bars = np.cumsum([0, *(s.bars for s in spec.sections)])
    return [int(b) * STYLES[spec.style].beats for b in bars]


def write_score(spec: BeatSpec) -> Score:
    beats = section_starts(spec)[-1]
    if spec.kind == "ambient":
        return _ambient(spec, beats)
    spans = draw_harmony(spec)
    hits = draw_drums(spec)
    if spec.kind == "drums":
        hits = _with_bar_one(spec, spans, [], hits)[1]
        return Score(beats, spans, _with_pickup(spec, spans, [], hits)[0], _atonal(spec, beats))
    sound, bass = draw_bass(spec, spans, hits)
    parts = [Part("bass", sound, bass)]
    for stream, layer in enumerate(("chords", "pad", "arp")):
        texture, notes = draw_comping(spec, spans, layer, 10 + stream)
        parts.append(Part(layer, texture, notes))
    parts.append(Part("lead", "melody", draw_melody(spec, spans)))
    parts = [p for p in parts if p.notes]
    parts, hits = _with_bar_one(spec, spans, parts, hits)
    return Score(beats, spans, *_with_pickup(spec, spans, parts, hits))


def _with_bar_one(
    spec: BeatSpec, spans: list[Span], parts: list[Part], hits: list[Hit]
) -> tuple[list[Part], list[Hit]]:
    """Bar one must be heard: put the first chord or a kick on beat 0 where nothing sounds."""
    if any(abs(n.beat) < 1e-6 for p in parts for n in p.notes) or any(abs(h.beat) < 1e-6 for h in hits):
        return parts, hits
    tonal = [p for p in parts if p.role != "bass"]
    if not tonal:
        return parts, [Hit(0.0, "kick", 1.0, "kick"), *hits]
    part = tonal[0]
    extra = [Note(0.0, 1.0, low_root(t, 55), 0.8) for t in spans[0].chord.tones]
    return [Part(p.role, p.texture, extra + p.notes) if p is part else p for p in parts], hits


def _with_pickup(
    spec: BeatSpec, spans: list[Span], parts: list[Part], hits: list[Hit]
) -> tuple[list[Hit], list[Part]]:
    """Music before bar one: strokes of a fill, a run of the melody or chord instrument, or both."""
    if not spec.pickup_beats:
        return hits, parts
    rng = np.random.default_rng([spec.seed, 8])
    step = 1 / 3 if STYLES[spec.style].steps == 3 else 0.5
    onsets = [
        -spec.pickup_beats,
        *np.arange(-step * int((spec.pickup_beats - 1e-6) / step), -1e-6, step).tolist(),
    ]
    onsets = sorted({round(x, 6) for x in onsets})
    tonal = [p for p in parts if p.role in ("lead", "chords", "arp", "bass")]
    if tonal and rng.random() < 0.6:
        part = tonal[-1]
        tones = [low_root(t, 60 if part.role != "bass" else 31) for t in spans[0].chord.tones]
        run = [Note(x, step, int(rng.choice(tones)), float(rng.uniform(0.6, 1))) for x in onsets]
        parts = [Part(p.role, p.texture, run + p.notes) if p is part else p for p in parts]
    if not tonal or rng.random() < 0.5 or not any(n.beat < 0 for p in parts for n in p.notes):
        voices = [["snare"], ["kick", "snare"], ["tom", "tom low"], ["snare", "ghost"], ["hat"]][
            int(rng.integers(5))
        ]
        hits = [Hit(x, str(rng.choice(voices)), float(rng.uniform(0.6, 1)), "snare") for x in onsets] + hits
    return hits, parts


def _ambient(spec: BeatSpec, beats: int) -> Score:
    """Chords of irregular lengths and free notes without a pulse; sometimes nothing with a pitch at all."""
    rng = np.random.default_rng([spec.seed, 9])
    if rng.random() < 0.25:
        return Score(beats, [], [], [])
    at, spans, notes = 0.0, [], []
    while at < beats:
        end = min(at + float(rng.uniform(3, 11)), float(beats))
        chord = diatonic(spec.tonic, spec.mode, str(rng.choice(["1", "1", "4", "6", "5", "3"])))
        spans.append(Span(at, end, chord, 0, 0))
        for k, tone in enumerate(chord.tones):
            late = float(rng.uniform(0, 0.8)) * (k > 0)
            notes.append(Note(at + late, end - at, low_root(tone, 50), float(rng.uniform(0.5, 1))))
        for _ in range(int(rng.integers(0, 6))):
            pitch = low_root(int(rng.choice(chord.tones)), 72)
            notes.append(Note(float(rng.uniform(at, end)), 2.0, pitch, float(rng.uniform(0.1, 0.6))))
        at = end
    return Score(
        beats, spans, [], [Part(str(rng.choice(["pad", "pad", "chords", "arp"])), "held", sorted(notes))]
    )


def _atonal(spec: BeatSpec, beats: int) -> list[Part]:
    """Now and then: short notes of random pitch, so that there is pitch but no key."""
    rng = np.random.default_rng([spec.seed, 6])
    if rng.random() > 0.3:
        return []
    steps = np.flatnonzero(rng.random(beats * 4) < rng.uniform(0.05, 0.4))
    notes = [Note(float(k) / 4, 0.25, int(rng.integers(48, 84)), float(rng.uniform(0.4, 1))) for k in steps]
    return [Part("atonal", "random", notes)] if notes else []


def drums_in_beat(spec: BeatSpec) -> int | None:
    """First beat of the first section with kick or snare."""
    for start, section in zip(section_starts(spec), spec.sections, strict=False):
        if set(section.layers) & set(DRUMS[:2]):
            return start
    return None
