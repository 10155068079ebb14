"""A false start: some bars, a pause, and the song off the count of those bars.

What is struck before the pause is folded on the song's own bars, and so is what follows it. Where the two are
alike only when one is turned, the bars before the pause are not counted with the song, which begins after
it. A stop that keeps the count, or another pattern ahead of it, is the song's.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm import moments
from analyzers.rhythm.bar_restarts import bands
from analyzers.rhythm.pulse_patterns import as_pattern, turns
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
WITHIN_S = 15.0  # of the first sound, the pause begins: what is longer is a song of its own (`restarts`)
LEAST_BEATS = 1.0  # of pause
FOLLOWING_BARS = 8  # after it are heard: the song's beginning, which the false start is like
BINS, SMOOTH = 96, 1.2  # of a folded bar
# So much more alike when turned, and so much at least (correlation): 34 of 36 false starts cut from rendered
# beats; the highest of 93 beats with a stop on the count, or a hit and a rest, has 0.13
UNLIKE, ALIKE = 0.25, 0.6


def other_start(onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float) -> float | None:
    """Where (s) the song begins after a false start; None where there is none.

    Parameters
    ----------
    lines_s : all bar lines of the song, from before the first sound to the end [shape=(n,)]
    """
    heard = bands(onsets)
    times = np.arange(heard.shape[1]) / onsets.rate
    place = np.interp(times, lines_s, np.arange(len(lines_s))) % 1.0
    best, found = UNLIKE, None
    for start_s, end_s in _pauses(onsets, first_sound_s, LEAST_BEATS * beat_s):
        following = lines_s[lines_s > end_s][:FOLLOWING_BARS]
        if len(following) < 2:
            continue
        before = (times >= first_sound_s - moments.AT_S[0]) & (times < start_s)
        after = (times >= end_s - moments.AT_S[0]) & (times < following[-1])
        first, second = (as_pattern(_fold(heard[:, part], place[part]), SMOOTH) for part in (before, after))
        alike = turns(first, second).sum(axis=0)
        if alike.max() > ALIKE and alike.max() - alike[0] > best:
            best, found = float(alike.max() - alike[0]), end_s
    return found


def _pauses(onsets: Onsets, first_sound_s: float, least_s: float) -> list[tuple[float, float]]:
    """Start and end (s) of the silences early in the song that the music comes back from."""
    quiet = np.concatenate([[0], onsets.level.mean(axis=0) < moments.QUIET_DB, [0]])
    edges = np.flatnonzero(np.diff(quiet.astype(int))).reshape(-1, 2) / onsets.rate
    last_s = onsets.level.shape[1] / onsets.rate
    early = (edges[:, 0] > first_sound_s) & (edges[:, 0] < first_sound_s + WITHIN_S) & (edges[:, 1] < last_s)
    return [(a, b) for a, b in edges[early].tolist() if b - a >= least_s]


def _fold(curves: FloatArray, place: FloatArray) -> FloatArray:
    """Curves folded on the bar [shape=(curves, BINS)]; place : in the bar, 0 .. 1, of each frame."""
    bins = (place * BINS).astype(np.int64) % BINS
    return np.stack([np.bincount(bins, curve, BINS) for curve in curves])
