"""From a spec to samples and truth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from demo.clock import Clock
from demo.extras import add_risers, add_wash, babble, master, noise_floor, with_defect
from demo.kit import attack_ms
from demo.labels import truth_of
from demo.mix import Stage, add_room, draw_gain, new_stage, place, play_drums, play_part
from demo.score import Score, write_score
from demo.spec import BeatSpec
from demo.timing import clock_of, tag_seconds
from demo.truth import Truth

Stereo = npt.NDArray[np.float32]


def set_up(spec: BeatSpec) -> tuple[Score, Clock, Stage]:
    """The written music, its time, and empty buses of the right length."""
    score = write_score(spec)
    clock = clock_of(spec, score.beats)
    rng = np.random.default_rng([spec.seed, 21])
    ring_s = float(rng.uniform(1.0, 3.5)) if spec.ending == "ring" else 0.0
    return score, clock, new_stage(spec, clock, int((float(clock.at(score.beats)) + ring_s) * spec.rate))


def render(spec: BeatSpec) -> tuple[Stereo, Truth]:
    """Samples [shape=(frames, 2), float32, full scale 1] and what is true of them; nothing is random here."""
    score, clock, stage = set_up(spec)
    kit, kicks = play_drums(stage, score.hits) if score.hits else ({}, np.zeros(0, np.int64))
    for part in score.parts:
        play_part(stage, part, kicks)
    add_risers(stage)
    if not score.parts and not score.hits:
        add_wash(stage)
    if spec.tag != "none":
        _add_tag(stage, tag_seconds(spec))
    add_room(stage)
    _end(stage, float(clock.at(score.beats)))
    music = np.concatenate([master(stage), np.zeros((int(spec.tail_s * spec.rate), 2), np.float32)])
    samples = with_defect(music, spec.defect) + _noise(spec, len(music))
    samples = np.clip(samples, -1, 1).astype(np.float32)
    soft_ms = attack_ms(kit["kick"], spec.rate) if "kick" in kit else None
    return samples, truth_of(spec, score, clock, music, soft_ms)


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


def _noise(spec: BeatSpec, frames: int) -> Stereo:
    rng = np.random.default_rng([spec.seed, 24])
    out = np.zeros((frames, 2), np.float32)
    if spec.noise_bed != "none":
        out += noise_floor(rng, spec.noise_bed, frames, spec.rate)
    if spec.lead_in != "silence":
        n = min(int(spec.lead_in_s * spec.rate), frames)
        out[:n] += noise_floor(rng, spec.lead_in, n, spec.rate)
    return out
