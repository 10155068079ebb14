"""What a song has at a moment, or over a stretch: attacks, level, pitch."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from analyzers.rhythm.bars import SHORTEST_PICKUP_BEATS
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
BASS, TREBLE = slice(0, 12), slice(12, 24)  # rows of the chroma
QUIET_DB = 1.0  # mean level of silence
AT_S = (0.025, 0.05)  # what begins so much before an instant or after it begins there
ALONE = 0.5  # less than such a share of an attack's strength is no other one beside it
SAME_PLACE_S = 0.07  # played attacks so near are at the same place of the bar
LOW_JUMP_DB, JUMP_DB = 8.0, 3.0  # leap of level where a song enters, below 120 Hz or over all bands


def entry(onsets: Onsets, t: float) -> float:
    """Strength of the attacks at t: sum over bands, each relative to its loud attacks."""
    k = max(round(t * onsets.rate), 0)
    return float(onsets.hits[:, max(k - 4, 0) : k + 6].max(axis=1, initial=0.0).sum())


def tops(attacks: FloatArray, least: float) -> npt.NDArray[np.intp]:
    """Frames at which an attack of such a strength, or more, is strongest [shape=(n,)]."""
    inner = attacks[1:-1]
    return 1 + np.flatnonzero((inner > attacks[:-2]) & (inner >= attacks[2:]) & (inner >= least))


def strongest(attacks: FloatArray, rate: float, start_s: float, end_s: float) -> float:
    """The strongest attack of a stretch; 0.0 where there is none."""
    first = max(round(start_s * rate), 0)
    return float(attacks[first : max(round(end_s * rate), first + 1)].max(initial=0.0))


def stretch(onsets: Onsets, start_s: float, end_s: float) -> FloatArray:
    """Level of each band in dB, a frame at least [shape=(bands, frames)]."""
    a = min(max(int(start_s * onsets.rate), 0), onsets.level.shape[1] - 1)
    return onsets.level[:, a : max(int(end_s * onsets.rate), a + 1)]


def is_own(onsets: Onsets, first_sound_s: float, line_s: float, beat_s: float) -> bool:
    """Whether the attack that a song begins with, hardly ahead of a bar line, is that line's own: nearer than
    any pickup, and on the line itself nothing like it begins."""
    if not AT_S[0] < line_s - first_sound_s < SHORTEST_PICKUP_BEATS * beat_s:
        return False
    heard = onsets.attacks
    start = max(line_s - AT_S[0], first_sound_s + AT_S[1] / 2)
    begins = strongest(heard, onsets.rate, first_sound_s - AT_S[0], start)
    return strongest(heard, onsets.rate, start, line_s + AT_S[1]) < ALONE * begins


def level(onsets: Onsets, start_s: float, end_s: float) -> FloatArray:
    """Mean level of each band in dB [shape=(bands,)]."""
    out: FloatArray = stretch(onsets, start_s, end_s).mean(axis=1)
    return out


def leaps(onsets: Onsets, start_s: float, at_s: float, end_s: float) -> bool:
    """Whether it is so much louder from an instant on as where a song enters."""
    leap = level(onsets, at_s, end_s) - level(onsets, start_s, at_s)
    return bool(leap[0] > LOW_JUMP_DB or leap.mean() > JUMP_DB)


def alike(onsets: Onsets, start_s: float, end_s: float, later_s: float) -> float:
    """How alike the attacks of a stretch and those so much later are, in time and bands: 0 .. 1."""
    first, long = max(round(start_s * onsets.rate), 0), max(round((end_s - start_s) * onsets.rate), 1)
    place = max(round(SAME_PLACE_S * onsets.rate), 1)

    def near(start: int) -> FloatArray:
        around = onsets.hits[:, max(start - place, 0) : start + long + place]
        spread: FloatArray = uniform_filter1d(around, place, mode="constant")
        return spread[:, min(start, place) :][:, :long]

    one, other = near(first), near(first + round(later_s * onsets.rate))
    if one.shape != other.shape:
        return 0.0
    return float((one * other).sum() / max(float(np.linalg.norm(one) * np.linalg.norm(other)), 1e-9))


def contrast(onsets: Onsets, start_s: float, end_s: float, part: slice = TREBLE) -> float:
    """How much a part of the mean chroma stands out from a flat one, 0 .. about 0.9."""
    a = min(int(start_s * onsets.chroma_rate), onsets.chroma.shape[1] - 1)
    mean = onsets.chroma[part, a : max(int(end_s * onsets.chroma_rate), a + 1)].mean(axis=1)
    return float(np.linalg.norm(mean - mean.mean()))
