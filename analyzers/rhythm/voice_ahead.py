"""A voice ahead of the song: a producer's tag, a count-in, a line of a film. Where does the music begin?

Whoever talks before the music is no pickup. The voice networks say how long somebody talks
(`analyzers.signal.voice`). Then it is silent until the music begins; or the music enters on a bar line under
the words, or with their end (on which one: `before_song`). The networks may take a melody for a voice.
(Thresholds chosen on recorded speech ahead of rendered beats.)
"""

from __future__ import annotations

from dataclasses import dataclass

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
QUIET_S = 0.12  # length of a silence
SOON_S, BREATH_S = 0.5, 1.5  # how soon after the voice it begins; where nothing is struck before
# Of a melody: so long, so far from flat in its chroma, and its attacks, each so strong, in the median no
# farther from an eighth of the song's beat than so much of one (of a voice: a quarter)
MELODY_S, MELODY_CONTRAST, NOTE, ON_EIGHTHS = 2.0, 0.165, 1.0, 0.1
TAIL_S = 0.3  # so much before the voice's end by the networks it may have ended
ENTRY = 2.0  # strength of the attack with which a song enters under a voice


@dataclass(frozen=True, slots=True)
class VoiceAhead:
    """music_s : where the music begins, if it is silent before; else it enters under the words, or with their
    end
    """

    music_s: float | None


def voice_ahead(onsets: Onsets, voice: FloatArray, first_sound_s: float) -> VoiceAhead | None:
    """A voice that comes first, and whether silence follows; None where no voice comes first.

    Parameters
    ----------
    voice : how likely one sounds, from the file's start on, `ANSWERS_A_SECOND` [shape=(answers,)]
    """
    end_s = _ends(voice, first_sound_s)
    return None if end_s is None else VoiceAhead(_after_silence(onsets, onsets.attacks, end_s))


def is_melody(onsets: Onsets, lines_s: FloatArray, beat_s: float, start_s: float, end_s: float) -> bool:
    """Whether what sounds in a stretch has pitch and lies on the song's beat: the networks may mistake it."""
    if end_s - start_s < MELODY_S or moments.contrast(onsets, start_s, end_s - 0.1) < MELODY_CONTRAST:
        return False
    first = max(round((start_s - moments.AT_S[0]) * onsets.rate), 0)
    heard = onsets.attacks[first : round((end_s - moments.AT_S[1]) * onsets.rate)]
    notes = (first + moments.tops(heard, NOTE)) / onsets.rate
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
