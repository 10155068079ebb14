"""A voice ahead of the song: a producer's tag, a count-in, a line of a film. Where does the music begin?

Whoever talks before the music is no pickup. The voice networks say how long somebody talks
(`analyzers.signal.voice`). Then it is silent until the music begins; or the music enters on a bar line under
the words, with a leap of level or without. (Thresholds chosen on recorded speech ahead of rendered beats.)
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analyzers.rhythm import moments
from analyzers.signal.onsets import Onsets
from analyzers.signal.voice import ANSWERS_A_SECOND

FloatArray = npt.NDArray[np.floating]
VOICED = 0.5  # probability of an answer from which a voice sounds
SURE, SURE_S = 0.8, 0.48  # mean over so long that somebody is heard for certain
BEGINS_S = (0.3, 0.4)  # so much before or after the first sound the voice begins
PAUSE_S = 2.0  # a shorter one between two phrases ends nothing
LONGEST_S = 9.0  # who talks longer is part of the song
LATE_BEATS = 0.3  # so much after its line the song may begin
QUIET_S = 0.12  # length of a silence
SOON_S, BREATH_S = 0.5, 1.5  # how soon after the voice it begins; where nothing is struck before
TAIL_S = 0.3  # so much before the voice's end by the networks it may have ended
ENTRY = 2.0  # strength of the attack with which a song enters under a voice
LAST_S = 0.15  # so much after the voice's end by the networks it may still sound
AS_LOUD_DB = -4.0  # and the bar is no softer than that after the voice
SOFT_PART = 20  # percentile of the level: what sounds under the words, too
UNDER_DB = -9.0  # in no band so much softer than in the bar after the voice: the song sounds already
FIRST_ATTACK = 1.5  # strength of the song's first attack after the words
# Of a melody: so long, so far from flat in its chroma, and its attacks, each so strong, in the median no
# farther from an eighth of the song's beat than so much of one (of a voice: a quarter)
MELODY_S, MELODY_CONTRAST, NOTE, ON_EIGHTHS = 2.0, 0.165, 1.0, 0.1
AFTER_SILENCE, WITH_A_LEAP, WITHOUT = 0.95, 0.85, 0.7  # how sure the three are


@dataclass(frozen=True, slots=True)
class VoiceAhead:
    """music_s : where the music begins; line : index of the bar line where it does, None where lines do not
    tell; confidence : how likely that is; beside : bars to the line where it begins otherwise
    """

    music_s: float
    line: int | None
    confidence: float
    beside: int = 0


def voice_ahead(
    onsets: Onsets, voice: FloatArray, lines_s: FloatArray, beat_s: float, first_sound_s: float
) -> VoiceAhead | None:
    """Where the music begins after a voice; None where no voice comes first.

    Parameters
    ----------
    voice : how likely one sounds, from the file's start on, `ANSWERS_A_SECOND` [shape=(answers,)]
    lines_s : all bar lines from before the first sound to the end [shape=(n,)]
    """
    end_s = _ends(voice, first_sound_s)
    if end_s is None or len(lines_s) < 2:
        return None
    attacks = onsets.attacks
    music_s = _after_silence(onsets, attacks, end_s)
    if music_s is not None:
        return VoiceAhead(music_s, None, AFTER_SILENCE)
    bar_after = _sounding_bar(onsets, lines_s, end_s)
    line = _leap(onsets, lines_s, first_sound_s + LATE_BEATS * beat_s, end_s, bar_after)
    if line is not None:
        return VoiceAhead(float(lines_s[line]), line, WITH_A_LEAP, 1)
    line = int(np.searchsorted(lines_s, end_s - LATE_BEATS * beat_s)) - 1
    if line >= 0 and lines_s[line] > first_sound_s:
        soft = _soft(onsets, float(lines_s[line]), end_s) - _soft(onsets, *bar_after)
        if soft.min() > UNDER_DB:
            return VoiceAhead(float(lines_s[line]), line, WITHOUT, 1)
    music_s = _first_attack(attacks, onsets.rate, end_s - TAIL_S)
    line = min(int(np.searchsorted(lines_s, music_s - LATE_BEATS * beat_s)), len(lines_s) - 1)
    return VoiceAhead(music_s, line, WITHOUT, -1)


def is_melody(onsets: Onsets, lines_s: FloatArray, beat_s: float, start_s: float, end_s: float) -> bool:
    """Whether what sounds in a stretch has pitch and lies on the song's beat: the networks may mistake it."""
    if end_s - start_s < MELODY_S or moments.contrast(onsets, start_s, end_s - 0.1) < MELODY_CONTRAST:
        return False
    first = max(round((start_s - moments.AT_S[0]) * onsets.rate), 0)
    heard = onsets.attacks[first : round((end_s - moments.AT_S[1]) * onsets.rate)]
    top = (heard[1:-1] > heard[:-2]) & (heard[1:-1] >= heard[2:]) & (heard[1:-1] >= NOTE)
    notes = (first + 1 + np.flatnonzero(top)) / onsets.rate
    if not len(notes):
        return False
    line = lines_s[np.maximum(np.searchsorted(lines_s, notes, side="right") - 1, 0)]
    eighths = (notes - line) / (beat_s / 2)
    return bool(np.median(np.abs(eighths - np.round(eighths))) < ON_EIGHTHS)


def _ends(voice: FloatArray, first_sound_s: float) -> float | None:
    """When the voice has ended that the music begins with, in seconds; None where none does."""
    start = max(int((first_sound_s - BEGINS_S[0]) * ANSWERS_A_SECOND), 0)
    voiced = start + np.flatnonzero(voice[start:] >= VOICED)
    if not len(voiced) or voiced[0] > (first_sound_s + BEGINS_S[1]) * ANSWERS_A_SECOND:
        return None
    pauses = np.flatnonzero(np.diff(voiced) > PAUSE_S * ANSWERS_A_SECOND)
    last = int(voiced[pauses[0] if len(pauses) else -1])
    heard = voice[voiced[0] : last + 1]
    long = round(SURE_S * ANSWERS_A_SECOND)
    sure = len(heard) >= long and np.convolve(heard, np.ones(long) / long, "valid").max() >= SURE
    end_s = (last + 1) / ANSWERS_A_SECOND
    return end_s if sure and end_s - first_sound_s < LONGEST_S else None


def _sounding_bar(onsets: Onsets, lines_s: FloatArray, from_s: float) -> tuple[float, float]:
    """Start and end of the first bar after `from_s` that is not silent; the last where all are."""
    bar = float(lines_s[-2]), float(lines_s[-1])
    for start, end in pairwise(lines_s[lines_s >= from_s].tolist()):
        bar = start, end
        if moments.level(onsets, start, end).mean() > moments.QUIET_DB:
            break
    return bar


def _leap(
    onsets: Onsets, lines_s: FloatArray, from_s: float, to_s: float, bar_after: tuple[float, float]
) -> int | None:
    """The first line on which a song as loud as after the voice enters with a leap of level."""
    loud = moments.level(onsets, *bar_after)
    for k in np.flatnonzero((lines_s[:-1] >= from_s) & (lines_s[:-1] <= to_s + LAST_S)).tolist():
        line, following = float(lines_s[k]), float(lines_s[k + 1])
        before = max(float(lines_s[k - 1]) if k else 0.0, from_s)
        louder = moments.level(onsets, line, following) - loud
        enters = moments.leaps(onsets, before, line, following) and moments.entry(onsets, line) > ENTRY
        if enters and louder.mean() > AS_LOUD_DB:
            return k
    return None


def _after_silence(onsets: Onsets, attacks: FloatArray, end_s: float) -> float | None:
    """Where a silence ends that follows the voice, be it after a breath; None where none does, or something
    begins before it."""
    first = max(int((end_s - TAIL_S) * onsets.rate), 0)
    quiet = np.concatenate([[0], onsets.level[:, first:].mean(axis=0) < moments.QUIET_DB, [0]])
    for start, end in np.flatnonzero(np.diff(quiet.astype(int))).reshape(-1, 2).tolist():
        begins_s = (first + start) / onsets.rate
        begun = moments.strongest(attacks, onsets.rate, end_s + SOON_S, begins_s) > ENTRY
        if begins_s > end_s + BREATH_S or (begins_s > end_s + SOON_S and begun):
            return None
        if end - start >= QUIET_S * onsets.rate:
            return float((first + end) / onsets.rate)
    return None


def _soft(onsets: Onsets, start_s: float, end_s: float) -> FloatArray:
    """Level of each band that is exceeded nearly always [shape=(bands,)]."""
    out: FloatArray = np.percentile(moments.stretch(onsets, start_s, end_s), SOFT_PART, axis=1)
    return out


def _first_attack(attacks: FloatArray, rate: float, from_s: float) -> float:
    first = max(int(from_s * rate), 0)
    found = np.flatnonzero(attacks[first:] > FIRST_ATTACK)
    return float((first + found[0]) / rate) if len(found) else from_s
