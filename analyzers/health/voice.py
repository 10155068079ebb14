"""A voice in the beat: a producer's tag, a hook, a guide vocal.

Whoever sings over the beat must know of it before. `analyzers.signal.voice` says how likely one sounds.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.model import Flag
from analyzers.signal.features import Features
from analyzers.signal.voice import ANSWERS_A_SECOND

FloatArray = npt.NDArray[np.float32]
LONG_S = 0.8  # so long a voice must sound without a gap
SURE, POSSIBLE = 0.95, 0.5  # mean probability over `LONG_S`: that it is one; that it still is
FEWEST = 5  # answers of the whole song, twelve to thirteen a second, at which the mean must be that sure
NEAR_S = 2.0  # places with a shorter gap between them are one
LISTED = 4


def judge_voice(features: Features, first_sound_s: float | None = None) -> list[Flag]:
    """Where a voice is heard in the signal, as one flag; none in what is shorter than `LONG_S`.

    The means reach into what lies before a voice; none begins before the first sound.
    """
    first_s = first_sound_s or 0.0
    places = [(max(start, first_s), end) for start, end in voice_places(features.voice) if end > first_s]
    if not places:
        return []
    return [
        Flag(
            code="voice",
            severity="warning",
            text="Most likely a voice.",
            advice="Ask for a version without it, or plan the vocal around it.",
            start_s=places[0][0],
            end_s=places[-1][1],
            amount=float(len(places)),
            unit="places",
            places_s=tuple(places[:LISTED]),
        )
    ]


def voice_places(probability: FloatArray) -> list[tuple[float, float]]:
    """(start, end) in seconds of each place with a voice, from `voice_probability`."""
    long = round(LONG_S * ANSWERS_A_SECOND)
    if len(probability) < long:
        return []
    mean = np.convolve(probability, np.ones(long) / long, "valid")  # k: answers k to k + long
    if np.count_nonzero(mean >= SURE) < FEWEST:
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mean >= POSSIBLE, [0]]).astype(int))).reshape(-1, 2)
    near = NEAR_S * ANSWERS_A_SECOND
    joined: list[list[int]] = []
    for a, b in ((a, b - 1 + long) for a, b in edges.tolist() if mean[a:b].max() >= SURE):
        if joined and a - joined[-1][1] < near:
            joined[-1][1] = b
        else:
            joined.append([a, b])
    return [(a / ANSWERS_A_SECOND, b / ANSWERS_A_SECOND) for a, b in joined]
