"""A beat as a folder of stems: one file a part, one common zero, no master."""

from __future__ import annotations

import numpy as np

from demo.extras import add_risers
from demo.labels import Stereo, truth_of
from demo.mix import Stage, add_room, play_drums, play_part
from demo.render import set_up
from demo.spec import BeatSpec
from demo.truth import Truth

PEAK = 0.7


def _take(stage: Stage) -> Stereo:
    """What was played since the last take; the buses are empty again."""
    add_room(stage)
    out = np.stack([stage.left, stage.right], axis=1)
    for bus in (stage.left, stage.right, stage.send):
        bus[:] = 0
    return out


def render_stems(spec: BeatSpec) -> tuple[dict[str, Stereo], Truth]:
    """Stems by name, all of one length [shape=(frames, 2)], and the truth of their sum."""
    score, clock, stage = set_up(spec)
    _, kicks = play_drums(stage, score.hits) if score.hits else ({}, np.zeros(0, np.int64))
    stems = {"drums": _take(stage)}
    for part in score.parts:
        play_part(stage, part, kicks)
        stems[part.role] = _take(stage)
    add_risers(stage)
    stems["effects"] = _take(stage)
    stems = {name: wave for name, wave in stems.items() if wave.any()}
    mix = np.sum(list(stems.values()), axis=0)
    gain = np.float32(PEAK / max(float(np.abs(mix).max()), 1e-9))
    return {name: wave * gain for name, wave in stems.items()}, truth_of(spec, score, clock, mix * gain, None)
