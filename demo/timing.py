"""When the beats of a spec fall: lead-in, spoken tag, pickup, tempo, drift and tempo steps."""

from __future__ import annotations

import numpy as np

from demo.clock import Clock
from demo.spec import BeatSpec
from demo.styles import STYLES


def tag_seconds(spec: BeatSpec) -> float:
    return float(np.random.default_rng([spec.seed, 23]).uniform(0.8, 3.0)) if spec.tag != "none" else 0.0


def clock_of(spec: BeatSpec, beats: int) -> Clock:
    """The tempo map; bar one comes after the lead-in, a spoken tag and the pickup."""
    rng = np.random.default_rng([spec.seed, 22])
    bpm = np.full(beats, spec.bpm)
    if spec.drift:
        walk = np.zeros(beats)
        for k in range(1, beats):
            walk[k] = 0.93 * walk[k - 1] + rng.normal(0, spec.drift * 0.37)
        bpm = bpm * (1 + walk + rng.choice([0, 1]) * spec.drift * np.linspace(-1, 1, beats))
    if spec.tempo_step:
        bpm[step_beat(spec, beats) :] *= spec.tempo_step[1]
    before = spec.pickup_beats * 60 / float(bpm[0]) + 0.003 * spec.jitter_ms * (spec.lead_in_s > 0)
    before += tag_seconds(spec) + float(rng.uniform(0, 0.5)) if spec.tag == "before" else 0.0
    bar_one = spec.lead_in_s + before
    steady = not spec.drift and not spec.tempo_step
    return Clock.steady(bar_one, spec.bpm) if steady else Clock.played(bar_one, bpm)


def step_beat(spec: BeatSpec, beats: int) -> int:
    bar = STYLES[spec.style].beats
    assert spec.tempo_step is not None
    return int(spec.tempo_step[0] * beats / bar) * bar
