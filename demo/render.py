"""From a spec to samples and truth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from demo.clock import Clock
from demo.extras import add_risers, add_wash, babble, master, noise_floor, with_defect
from demo.kit import attack_ms
from demo.mix import Stage, add_room, draw_gain, new_stage, place, play_drums, play_part
from demo.score import Score, drums_in_beat, section_starts, write_score
from demo.spec import BeatSpec
from demo.styles import STYLES
from demo.theory import PLAIN_MODE, chord_label, key_name
from demo.truth import Truth

Stereo = npt.NDArray[np.float32]
AUDIBLE = 10 ** (-60 / 20)


def render(spec: BeatSpec) -> tuple[Stereo, Truth]:
    """Samples [shape=(frames, 2), float32, full scale 1] and what is true of them; nothing is random here."""
    score = write_score(spec)
    rng = np.random.default_rng([spec.seed, 21])
    tag_s = float(rng.uniform(0.8, 3.0)) if spec.tag != "none" else 0.0
    clock = _clock(spec, score, tag_s)
    end_s = float(clock.at(score.beats))
    ring_s = float(rng.uniform(1.0, 3.5)) if spec.ending == "ring" else 0.0
    frames = int((end_s + ring_s) * spec.rate)
    stage = new_stage(spec, clock, frames)
    kit, kicks = play_drums(stage, score.hits) if score.hits else ({}, np.zeros(0, np.int64))
    for part in score.parts:
        play_part(stage, part, kicks)
    add_risers(stage)
    if not score.parts and not score.hits:
        add_wash(stage)
    if spec.tag != "none":
        _add_tag(stage, tag_s)
    add_room(stage)
    _end(stage, end_s)
    music = np.concatenate([master(stage), np.zeros((int(spec.tail_s * spec.rate), 2), np.float32)])
    samples = with_defect(music, spec.defect) + _noise(spec, rng, len(music))
    samples = np.clip(samples, -1, 1).astype(np.float32)
    soft_ms = attack_ms(kit["kick"], spec.rate) if "kick" in kit else None
    return samples, _truth(spec, score, clock, music, soft_ms)


def _clock(spec: BeatSpec, score: Score, tag_s: float) -> Clock:
    """The tempo map; bar one comes after the lead-in, a spoken tag and the pickup."""
    rng = np.random.default_rng([spec.seed, 22])
    beats = score.beats
    bpm = np.full(beats, spec.bpm)
    if spec.drift:
        walk = np.zeros(beats)
        for k in range(1, beats):
            walk[k] = 0.93 * walk[k - 1] + rng.normal(0, spec.drift * 0.37)
        bpm = bpm * (1 + walk + rng.choice([0, 1]) * spec.drift * np.linspace(-1, 1, beats))
    if spec.tempo_step:
        bpm[_step_beat(spec, beats) :] *= spec.tempo_step[1]
    before = spec.pickup_beats * 60 / float(bpm[0]) + 0.003 * spec.jitter_ms * (spec.lead_in_s > 0)
    before += tag_s + float(rng.uniform(0, 0.5)) if spec.tag == "before" else 0.0
    bar_one = spec.lead_in_s + before
    steady = not spec.drift and not spec.tempo_step
    return Clock.steady(bar_one, spec.bpm) if steady else Clock.played(bar_one, bpm)


def _step_beat(spec: BeatSpec, beats: int) -> int:
    bar = STYLES[spec.style].beats
    assert spec.tempo_step is not None
    return int(spec.tempo_step[0] * beats / bar) * bar


def _add_tag(stage: Stage, seconds: float) -> None:
    start = (
        stage.spec.lead_in_s
        if stage.spec.tag == "before"
        else stage.clock.bar_one_s + stage.rng.uniform(0, 3)
    )
    bus = np.zeros(stage.frames, np.float32)
    place(bus, babble(stage.rng, seconds, stage.spec.rate), round(start * stage.spec.rate), 1.0)
    stage.put_out(bus, draw_gain(stage.rng, "lead"), 0.0, 0.3)


def _end(stage: Stage, end_s: float) -> None:
    """Fade out over the last bars, or stop dead, or let it ring."""
    spec = stage.spec
    if spec.ending == "fade":
        fade_s = min(float(stage.rng.uniform(3, 15)), end_s / 3)
        n = int(fade_s * spec.rate)
        for side in (stage.left, stage.right):
            side[-n:] *= np.linspace(1, 0, n, dtype=np.float32) ** 2
    for side in (stage.left, stage.right):
        side[-64:] *= np.linspace(1, 0, 64, dtype=np.float32)


def _noise(spec: BeatSpec, rng: np.random.Generator, frames: int) -> Stereo:
    out = np.zeros((frames, 2), np.float32)
    if spec.noise_bed != "none":
        out += noise_floor(rng, spec.noise_bed, frames, spec.rate)
    if spec.lead_in != "silence":
        n = min(int(spec.lead_in_s * spec.rate), frames)
        out[:n] += noise_floor(rng, spec.lead_in, n, spec.rate)
    return out


def _truth(spec: BeatSpec, score: Score, clock: Clock, music: Stereo, soft_ms: float | None) -> Truth:
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
        beats=tuple((round(float(t), 7), int(k % style.beats == 0)) for k, t in enumerate(grid))
        if pulse
        else (),
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
        notes=tuple(
            n for n in (f"tag {spec.tag}", f"ends with {spec.ending}", spec.lead_in) if "none" not in n
        ),
        kick_attack_ms=soft_ms,
        samplerate=spec.rate,
        frames=len(music),
        duration_s=duration,
    )


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
    return ((float(clock.at(_step_beat(spec, beats))), spec.bpm * spec.tempo_step[1]),)


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
