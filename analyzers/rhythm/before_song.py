"""What sounds before the song, and on which bar line the song enters.

A producer's tag, a line of a film, an effect: what comes first need not be the song, and the networks hear no
voice in what was turned round, rung or cut to pieces. But it is of another kind than what follows: other
bands, hardly a pitch, little below 120 Hz, and out of time; then the song enters on a bar line, and goes on
alike. How likely it enters on each line of the first seconds, all before it being something else, is told by
a conditional logit over these lines and none of them (McFadden, "Conditional logit analysis of qualitative
choice behavior", 1974), fitted in `tests/training/before_song_fit.py`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm import moments
from analyzers.signal.onsets import Onsets
from analyzers.signal.voice import ANSWERS_A_SECOND

FloatArray = npt.NDArray[np.floating]
SOON_S, LATEST_S = 0.2, 12.0  # so long after the first sound the song may enter
LONGEST_S = 9.0  # but what comes first sounds no longer
EDGE_S = 0.02  # so much before its line an attack begins
TAIL_S = 0.1  # so far a frame of the chroma reaches
STRUCK, MOST, FEW = 0.5, 4.0, 3  # strength of attacks; none counts for more; so many at least
PARTS = (2, 3, 4)  # of a beat, on which they are
STROKES, SOFT = 90, 10  # percentiles of a level: what strokes reach; what is louder nearly always
LEAST_DB = 0.5  # differences of level are told from so much on
UNDER_DB = (-30.0, 5.0)  # differences that tell whether the song lies under what comes first
# Of each line: other bands than before; pitch before it; its attack; level below 120 Hz before it; how long
# that is, squared; how well it is in time; what of the song lies under it. (A voice may have pitch, be long
# and in time: these three count less, the likelier one sounds.)
WEIGHTS = np.array([1.83, -2.29, 1.55, -1.36, -2.66, -5.68, -0.76])
BIAS = -1.88


def song_enters(
    onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float, voice: FloatArray | None
) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Lines on which the song may enter after something else [shape=(n,)], and how likely it enters on each
    [shape=(n,)]; what is left of 1 is that the song begins with the first sound.

    Parameters
    ----------
    lines_s : all bar lines from before the first sound to the end [shape=(lines,)]
    beat_s : length of a beat at the beginning
    voice : how likely one sounds, from the file's start on, `ANSWERS_A_SECOND` [shape=(answers,)]
    """
    lines, facts = lines_and_facts(onsets, lines_s, beat_s, first_sound_s, voice)
    odds = np.exp(facts @ WEIGHTS + BIAS)
    return lines, odds / (1.0 + odds.sum())


def lines_and_facts(
    onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float, voice: FloatArray | None
) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """The lines that are asked about [shape=(n,)], and what tells of each [shape=(n, 7)]."""
    late = lines_s[:-1] - first_sound_s
    struck = _struck(onsets, first_sound_s + LATEST_S)
    lines, rows = [], []
    for k in np.flatnonzero((late > SOON_S) & (late < LATEST_S)).tolist():
        line, following = lines_s[k : k + 2].tolist()
        end_s = _falls_silent(onsets, first_sound_s, line - EDGE_S)
        silent = moments.level(onsets, line, following).mean() <= moments.QUIET_DB
        if silent or end_s - first_sound_s > LONGEST_S:
            continue
        heard = _heard(voice, first_sound_s, end_s)
        before, after = (moments.stretch(onsets, *of) for of in ((first_sound_s, end_s), (line, following)))
        lines.append(k)
        rows.append(
            [
                _unlike(before, after),
                (1 - heard) * 10 * _pitch(onsets, first_sound_s, end_s),
                moments.entry(onsets, line) / 5,
                float(np.percentile(before[0], STROKES)) / 20,
                (1 - heard) * (end_s - first_sound_s) ** 2 / 20,
                (1 - heard) * _in_time(*struck, line, beat_s),
                _under(before, after) / 10,
            ]
        )
    return np.array(lines, dtype=np.intp), np.array(rows).reshape(len(rows), len(WEIGHTS))


def _unlike(before: FloatArray, after: FloatArray) -> float:
    """Logarithm of how far apart (dB) two stretches are in the level of their bands, each less its mean."""
    one, other = (levels.mean(axis=1) - levels.mean() for levels in (before, after))
    return float(np.log(np.abs(other - one).mean() + LEAST_DB))


def _under(before: FloatArray, after: FloatArray) -> float:
    """By how much (dB, `UNDER_DB` at most) what is louder nearly always is so before, in the band where it is
    least."""
    one, other = (np.percentile(levels, SOFT, axis=1) for levels in (before, after))
    return float(np.clip((one - other).min(), *UNDER_DB))


def _falls_silent(onsets: Onsets, start_s: float, end_s: float) -> float:
    """When what begins a stretch has ended, at its end at the latest."""
    sounds = np.flatnonzero(moments.stretch(onsets, start_s, end_s).mean(axis=0) > moments.QUIET_DB)
    return min(start_s + (sounds[-1] + 1) / onsets.rate, end_s) if len(sounds) else end_s


def _pitch(onsets: Onsets, start_s: float, end_s: float) -> float:
    """How far the chroma is from a flat one; that of the bass, where nothing is louder."""
    level, end_s = moments.level(onsets, start_s, end_s), max(end_s - TAIL_S, start_s)
    low = moments.contrast(onsets, start_s, end_s, moments.BASS) if level[0] >= level.max() else 0.0
    return max(moments.contrast(onsets, start_s, end_s), low)


def _heard(voice: FloatArray | None, start_s: float, end_s: float) -> float:
    """Mean probability of a voice."""
    if voice is None:
        return 0.0
    heard = voice[int(start_s * ANSWERS_A_SECOND) : int(end_s * ANSWERS_A_SECOND) + 1]
    return float(heard.mean()) if len(heard) else 0.0


def _struck(onsets: Onsets, until_s: float) -> tuple[FloatArray, FloatArray]:
    """When attacks are, from the start of the file on, and how strong [shape=(n,)]."""
    heard = onsets.attacks[: int(until_s * onsets.rate)]
    top = moments.tops(heard, STRUCK)
    return top / onsets.rate, np.minimum(heard[top], MOST)


def _in_time(struck_s: FloatArray, strength: FloatArray, line_s: float, beat_s: float) -> float:
    """How well what is struck before a line lies on halves, thirds or quarters of the beat, 0 .. 1: mean
    resultant length (Fisher, "Statistical analysis of circular data", 1993); 0 where hardly anything is."""
    n = int(np.searchsorted(struck_s, line_s - 2 * EDGE_S))
    if n < FEW:
        return 0.0
    turns = np.exp(2j * np.pi * np.outer(PARTS, (struck_s[:n] - line_s) / beat_s))
    return float((np.abs(turns @ strength[:n]) / strength[:n].sum()).max())
