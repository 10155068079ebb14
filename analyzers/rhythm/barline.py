"""Which bar line is bar one.

Bar one is the first full bar of the music. Music that begins between two bar lines begins with a pickup; the
bar line after it is bar one. A spoken tag, a riser or noise before the music is no pickup: the first bar in
which the song itself sounds is bar one. (Common practice; thresholds chosen on rendered beats.)
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
SAME_EVENT_S = 0.025  # first sound and bar line this near are one event (codec pre-echo, soft attack)
LATE_ENTRY_BEATS = 0.3  # a bar may begin with a short rest or a slow swell
TAG_BARS = 2  # as many bars at most may be tag
TAG_CONTRAST = 0.165  # chroma of speech and noise is flat: length of its deviation from the mean
ENTRY = 1.5  # how much stronger the song's entry is than the tag's, in bands with a loud attack
LOW_JUMP_DB, JUMP_DB = 8.0, 3.0  # rise of level at the entry, below 120 Hz or over all bands


def first_bar(onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float) -> tuple[int, float]:
    """Index of bar one among the bar lines, and the pickup before it in beats.

    Parameters
    ----------
    lines_s : all bar lines from before the first sound to the end [shape=(n,)], n >= 1
    beat_s : length of a beat at the beginning
    """
    late = max(SAME_EVENT_S, LATE_ENTRY_BEATS * beat_s)
    k = min(int(np.searchsorted(lines_s, first_sound_s - late)), len(lines_s) - 1)
    for _ in range(TAG_BARS):
        if k + 2 < len(lines_s) and _is_tag(onsets, first_sound_s, *lines_s[k : k + 3]):
            k += 1
    early = float(lines_s[k] - first_sound_s)
    return k, early / beat_s if early > SAME_EVENT_S else 0.0


def _is_tag(onsets: Onsets, first_sound_s: float, line: float, following: float, after: float) -> bool:
    """Whether the bar from `line` holds only speech or noise, and the song enters at `following`."""
    start = max(first_sound_s, line, 0.0)
    entry = _entry(onsets, following) - _entry(onsets, line)
    jump = _level(onsets, following, after) - _level(onsets, start, following)
    flat = _contrast(onsets, start, following - 0.1) < TAG_CONTRAST
    return bool(flat and entry > ENTRY and (jump[0] > LOW_JUMP_DB or jump.mean() > JUMP_DB))


def _entry(onsets: Onsets, t: float) -> float:
    """Strength of the attacks at t: sum over bands, each relative to its loud attacks."""
    k = max(round(t * onsets.rate), 0)
    peak = onsets.strength[:, max(k - 4, 0) : k + 6].max(axis=1, initial=0.0)
    loud = np.percentile(onsets.strength, 99, axis=1)
    return float(np.minimum(peak / np.maximum(loud, 1e-6), 1.5).sum())


def _level(onsets: Onsets, start_s: float, end_s: float) -> FloatArray:
    """Mean level of each band in dB [shape=(bands,)]."""
    a = min(int(start_s * onsets.rate), onsets.level.shape[1] - 1)
    out: FloatArray = onsets.level[:, a : max(int(end_s * onsets.rate), a + 1)].mean(axis=1)
    return out


def _contrast(onsets: Onsets, start_s: float, end_s: float) -> float:
    """How much the mean treble chroma stands out from a flat one, 0 .. about 0.9."""
    a = min(int(start_s * onsets.chroma_rate), onsets.chroma.shape[1] - 1)
    mean = onsets.chroma[12:, a : max(int(end_s * onsets.chroma_rate), a + 1)].mean(axis=1)
    return float(np.linalg.norm(mean - mean.mean()))
