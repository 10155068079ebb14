"""The truth of a spec, its score and its sound."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from demo.clock import Clock
from demo.score import Score, drums_in_beat, section_starts
from demo.spec import BeatSpec
from demo.styles import STYLES
from demo.theory import PLAIN_MODE, chord_label, key_name
from demo.timing import step_beat
from demo.truth import Truth

Stereo = npt.NDArray[np.float32]
AUDIBLE = 10 ** (-60 / 20)


def truth_of(spec: BeatSpec, score: Score, clock: Clock, music: Stereo, soft_ms: float | None) -> Truth:
    style = STYLES[spec.style]
    pulse = spec.kind != "ambient"
    grid = np.rint(clock.at(np.arange(score.beats)) * spec.rate) / spec.rate
    loud = np.flatnonzero(np.abs(music).max(axis=1) > AUDIBLE)
    edges = clock.at(section_starts(spec)).tolist()
    drums = drums_in_beat(spec) if pulse else None
    tempo, accepted = _tempi(spec, clock, score.beats) if pulse else (None, ())
    name, keys, changes = _keys(spec, score, clock)
    duration = len(music) / spec.rate
    steady = not spec.drift and not spec.tempo_step
    return Truth(
        style=spec.style if spec.kind == "beat" else f"{spec.kind} {spec.style}",
        category=_category(spec),
        tempo_bpm=tempo,
        tempo_ok=accepted,
        constant_tempo=steady if pulse else None,
        tempo_changes=() if not spec.tempo_step or not pulse else _changes(spec, clock, score.beats),
        meter=style.meter,
        beats_per_bar=style.beats,
        beats=_beats(grid, style.beats) if pulse else (),
        first_downbeat_s=round(float(grid[0]), 7) if pulse else None,
        drums_in_s=None if drums is None else float(clock.at(drums)),
        pickup_beats=spec.pickup_beats if pulse else 0.0,
        first_sound_s=float(loud[0] / spec.rate) if len(loud) else None,
        key_tonic=name,
        key_mode=spec.mode if name else None,
        key_ok=keys,
        key_changes=changes,
        tuning_cents=spec.tuning_cents if name else None,
        chords=_chords(spec, score, clock) if name else (),
        sections=tuple((s.name, a, b) for s, a, b in zip(spec.sections, edges, edges[1:], strict=False)),
        swing=spec.swing,
        defects=tuple(d for d in (spec.defect, spec.noise_bed) if d != "none"),
        notes=(f"spoken tag: {spec.tag}", f"ending: {spec.ending}", f"lead-in: {spec.lead_in}"),
        kick_attack_ms=soft_ms,
        samplerate=spec.rate,
        frames=len(music),
        duration_s=duration,
        jitter_ms=spec.jitter_ms,
    )


def _beats(grid: npt.NDArray[np.float64], bar: int) -> tuple[tuple[float, int], ...]:
    return tuple((round(float(t), 7), int(k % bar == 0)) for k, t in enumerate(grid))


def _tempi(spec: BeatSpec, clock: Clock, beats: int) -> tuple[float, tuple[float, ...]]:
    if spec.tempo_step:
        second = spec.bpm * spec.tempo_step[1]
        pair = (spec.bpm, second) if spec.tempo_step[0] >= 0.5 else (second, spec.bpm)
        return pair[0], pair
    mean = spec.bpm
    if spec.drift:
        mean = float(60 * beats / (clock.at(beats) - clock.at(0)))
    return mean, (mean, *(mean * ratio for ratio in spec.other_tempi))


def _changes(spec: BeatSpec, clock: Clock, beats: int) -> tuple[tuple[float, float], ...]:
    assert spec.tempo_step is not None
    return ((float(clock.at(step_beat(spec, beats))), spec.bpm * spec.tempo_step[1]),)


def _keys(
    spec: BeatSpec, score: Score, clock: Clock
) -> tuple[str | None, tuple[str, ...], tuple[tuple[float, str, str], ...]]:
    if not score.parts or spec.kind == "drums":
        return None, (), ()
    name = key_name(spec.tonic, spec.mode)
    keys = [f"{name} {spec.mode}"]
    if spec.mode in PLAIN_MODE:
        keys.append(f"{name} {PLAIN_MODE[spec.mode]}")
    if spec.relative:
        other, step = ("minor", 9) if spec.mode == "major" else ("major", 3)
        keys.append(f"{key_name(spec.tonic + step, other)} {other}")
    moved = next((s for s in score.spans if s.shift), None)
    if moved is None:
        return name, tuple(keys), ()
    change = (float(clock.at(moved.start)), key_name(spec.tonic + moved.shift, spec.mode), spec.mode)
    return name, tuple(keys), (change,)


def _chords(spec: BeatSpec, score: Score, clock: Clock) -> tuple[tuple[float, float, str], ...]:
    """Labels where any tonal part sounds; "N" where none does; equal neighbours joined."""
    held = {"chords", "pad", "arp", "bass"}
    out: list[tuple[float, float, str]] = []
    for s in score.spans:
        silent = spec.kind != "ambient" and not held & set(spec.sections[s.section].layers)
        label = "N" if silent else chord_label(s.chord, spec.tonic + s.shift, spec.mode)
        a, b = float(clock.at(s.start)), float(clock.at(s.end))
        if out and out[-1][2] == label:
            a = out.pop()[0]
        out.append((a, b, label))
    return tuple(out)


def _category(spec: BeatSpec) -> int:
    """The corpus' groups: 9 no key or tempo, 10 faults, 6 drift, 5 meters and swing, 8 keys, 7 tuning, ..."""
    style = STYLES[spec.style]
    tests = (
        (9, spec.kind in ("drums", "ambient")),
        (10, spec.defect != "none"),
        (6, spec.drift > 0 or spec.tempo_step is not None),
        (0, spec.kind == "song"),
        (5, style.meter != "4/4" or style.steps == 3),
        (8, spec.key_shift is not None or spec.relative or spec.mode in PLAIN_MODE),
        (7, spec.tuning_cents != 0),
        (2, spec.pickup_beats > 0),
        (3, spec.tag != "none"),
        (4, bool(style.other_tempi)),
    )
    return next((number for number, true in tests if true), 1)
