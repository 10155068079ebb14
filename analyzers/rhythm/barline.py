"""Which bar line is bar one.

Bar one is the first bar of the song. Music that begins between two bar lines begins with a pickup, and bar
one is the line after it; or bar one itself begins with a rest, and is the line before it: an off-beat hat, a
clap on two and four, what a fade-in hides. Three things tell (common practice): pickups are short, and fills
or melodies, not the groove itself; a rest on the one comes again in the next bars, while a pickup ends with
an entry on it; a song changes every four bars, counted from its first. A spoken tag, a riser or noise before
the music is no pickup: the first bar in which the song itself sounds is bar one. (Thresholds and weights
chosen on rendered beats.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from analyzers.rhythm import moments
from analyzers.rhythm.before_song import song_enters
from analyzers.rhythm.count_in import count_in
from analyzers.rhythm.other_start import other_start
from analyzers.rhythm.swell import SOFT, is_swell
from analyzers.rhythm.voice_ahead import is_melody, voice_ahead
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
SAME_EVENT_S = 0.025  # first sound and bar line this near are one event (codec pre-echo, soft attack)
LATE_ENTRY_BEATS = 0.3  # a bar may begin with a short rest or a slow swell
SWELL_BARS = 12  # so many full bars at most a riser has; 8 are a long one (common practice)
SWELLS_ON = 0.6  # how sure it is that the song enters where a swell grows even longer
EARLY_S, HARDLY_BEFORE = 0.03, 0.7  # how sure a line is whose own attack comes more than so much ahead of it
OF_THE_SONG = 0.7  # how sure it is that a voice from a bar line on is
COUNT_IN = 0.85  # that a count-in is one, and not the song's first bars
MELODY = 0.75  # that a voice is one, where it may as well be a melody
ASKED = 0.1  # so likely the song enters on another line, and it is asked about
OTHER_START = 0.75  # that it is counted from where it starts anew, not from a false start
AFTER_SILENCE = 0.95  # that the song begins after a voice and silence, or after something unlike it, at most
AGREED = 0.93  # that a voice comes first, where all else tells the same
# Log odds that bar one begins with a rest: for the length of the rest, in bars; for the next bar beginning
# alike, or for a fade-in; for an attack on the next bar's one; for the share of all changes that lies at
# multiples of four bars from there, less the share that lies so from the next line
REST_BARS, SAME_REST, NO_REST, PHRASE = -6.0, 3.0, -1.5, 8.0
REST_ATTACK = 0.3  # weaker than this, against what the first bar begins with, no attack is on the one
# A pickup is a fill or a melody: what is already as loud (mean over the bands) and struck alike as the same
# beats of the next bars, for so many beats, is the groove, less its first beats; where only that tells, it
# stays open
GROOVE_BEATS, GROOVE_DB, GROOVE, OPEN = 1.9, 4.0, 0.6, 0.75
FADE_DB = 6.0  # a fade-in begins without an attack, so far below the same place of the next bar
PHRASE_BARS = 4
TELLING_BARS = 16  # a shorter song's changes tell less


@dataclass(frozen=True, slots=True)
class FirstBar:
    """Bar one among the bar lines.

    pickup_beats : what sounds before it, in beats; 0 when nothing does
    confidence : probability that it is this bar line and not the one beside it
    swell : what sounds before it grows into it without an attack, no pickup
    voice : somebody talks before it
    other_start : a false start comes before it
    count_in : nothing but a count-in does
    beside : bars from it to the line that it may be instead; 0 where there is no doubt
    """

    index: int
    pickup_beats: float
    confidence: float = 1.0
    swell: bool = False
    beside: int = 0
    voice: bool = False
    other_start: bool = False
    count_in: bool = False

    @property
    def explained(self) -> bool:
        """Whether what sounds before it is known to be none of the song's own count."""
        return self.swell or self.voice or self.other_start or self.count_in


def first_bar(
    onsets: Onsets,
    lines_s: FloatArray,
    beat_s: float,
    first_sound_s: float,
    *,
    voice: FloatArray | None = None,
) -> FirstBar:
    """Bar one, and what comes before it.

    Parameters
    ----------
    lines_s : all bar lines from before the first sound to the end [shape=(n,)], n >= 1
    beat_s : length of a beat at the beginning
    voice : how likely one sounds (`analyzers.signal.voice`) [shape=(answers,)]
    """
    ahead = None if voice is None else voice_ahead(onsets, voice, first_sound_s)
    if ahead is not None and ahead.music_s is not None:
        return _after_silence(onsets, lines_s, beat_s, first_sound_s, ahead.music_s, voice)
    if ahead is None:
        counted = count_in(onsets, lines_s, beat_s, first_sound_s)
        if counted is not None:
            early = float(lines_s[counted] - first_sound_s)
            bars = round(early / float(lines_s[counted] - lines_s[counted - 1]))
            return FirstBar(counted, early / beat_s, COUNT_IN, beside=-bars, count_in=True)
        song_s = other_start(onsets, lines_s, beat_s, first_sound_s)
        if song_s is not None:
            found = _first_of_song(onsets, lines_s, beat_s, song_s, voice)
            early = float(lines_s[found.index] - first_sound_s)
            sure = found.confidence * OTHER_START
            return replace(found, pickup_beats=early / beat_s, confidence=sure, swell=False, other_start=True)
    found = _first_of_song(onsets, lines_s, beat_s, first_sound_s, voice)
    return found if ahead is None else _after_words(onsets, lines_s, beat_s, first_sound_s, found)


def _first_of_song(
    onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float, voice: FloatArray | None
) -> FirstBar:
    """Bar one from a first sound on that is the song's, or a swell, a tag, an effect before it."""
    late = max(SAME_EVENT_S, LATE_ENTRY_BEATS * beat_s)
    k = min(int(np.searchsorted(lines_s, first_sound_s - late)), len(lines_s) - 1)
    attacks = onsets.attacks
    for line in range(min(k + SWELL_BARS + 1, len(lines_s) - 1), k - 1, -1):
        early = float(lines_s[line] - first_sound_s)
        noise = early > (lines_s[line] - lines_s[line - 1]) / 2
        if early > late and is_swell(onsets, first_sound_s, early, noise=noise):
            on = line > k + SWELL_BARS
            return FirstBar(line, early / beat_s, SWELLS_ON if on else 1.0, swell=True, beside=int(on))
    found = _with_first_sound(onsets, lines_s, beat_s, first_sound_s, k, attacks)
    lines, enters = song_enters(onsets, lines_s, beat_s, first_sound_s, voice)
    if enters.max(initial=0.0) < ASKED:
        return found
    likely, begins = np.zeros(len(lines_s)), 1.0 - enters.sum()
    likely[lines] = enters
    likely[found.index] += begins * found.confidence
    likely[found.index + found.beside] += begins * (1.0 - found.confidence)
    best, second = np.argsort(-likely)[:2].tolist()
    early = max(float(lines_s[best] - first_sound_s), 0.0)
    pickup = found.pickup_beats if best == found.index else early / beat_s
    return FirstBar(best, pickup, min(float(likely[best]), AFTER_SILENCE), beside=second - best)


def _with_first_sound(
    onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float, k: int, attacks: FloatArray
) -> FirstBar:
    """Bar one where the first sound is the song's, and `k` the first line that is not well before it."""
    early = float(lines_s[k] - first_sound_s)
    if early <= SAME_EVENT_S:
        return FirstBar(k, 0.0)
    if k == 0:
        return FirstBar(k, early / beat_s)
    if moments.is_own(onsets, first_sound_s, float(lines_s[k]), beat_s):
        return FirstBar(k, 0.0, HARDLY_BEFORE if early > EARLY_S else 1.0)
    rest = _rest(onsets, attacks, lines_s[k - 1 :], first_sound_s, early > GROOVE_BEATS * beat_s)
    if rest > 0.5:
        return FirstBar(k - 1, 0.0, rest, beside=1)
    return FirstBar(k, early / beat_s, 1.0 - rest, beside=-1)


def _after_words(
    onsets: Onsets, lines_s: FloatArray, beat_s: float, first_sound_s: float, found: FirstBar
) -> FirstBar:
    """Bar one where the song enters under a voice, or with its end; but a melody may be taken for one."""
    found = replace(found, voice=found.pickup_beats > 0.0)
    if not is_melody(onsets, lines_s, beat_s, first_sound_s, float(lines_s[found.index])):
        return found
    song = _first_of_song(onsets, lines_s, beat_s, first_sound_s, None)
    if song.index == found.index:
        return found
    return replace(found, beside=song.index - found.index, confidence=min(found.confidence, MELODY))


def _after_silence(
    onsets: Onsets,
    lines_s: FloatArray,
    beat_s: float,
    first_sound_s: float,
    music_s: float,
    voice: FloatArray | None,
) -> FirstBar:
    """Bar one where it is silent after a voice; but who begins on a bar line may belong to the song."""
    found = _first_of_song(onsets, lines_s, beat_s, music_s, voice)
    song = _first_of_song(onsets, lines_s, beat_s, first_sound_s, None)  # were it no voice
    if np.abs(lines_s - first_sound_s).min() <= SAME_EVENT_S and song.index != found.index:
        return replace(song, confidence=song.confidence * OF_THE_SONG, beside=found.index - song.index)
    early = max(float(lines_s[found.index] - first_sound_s), 0.0)
    sure = found.confidence * AFTER_SILENCE
    if song.index == found.index:
        sure = max(sure, song.confidence * AGREED)
    return replace(
        found, pickup_beats=early / beat_s, confidence=sure, swell=False, voice=early > SAME_EVENT_S
    )


def _goes_on(onsets: Onsets, first_sound_s: float, line: float, following: float) -> bool:
    """Whether what sounds from `first_sound_s` on in the bar from `line` is what the same beats of both the
    next bars are: as loud in all bands, and struck at the same moments."""
    end, bar_s = following - SAME_EVENT_S, following - line
    before = moments.level(onsets, first_sound_s, end)

    def same(later_s: float) -> bool:
        louder = moments.level(onsets, first_sound_s + later_s, end + later_s) - before
        struck = moments.alike(onsets, first_sound_s - SAME_EVENT_S, end, later_s)
        return bool(np.abs(louder).mean() < GROOVE_DB and struck > GROOVE)

    return same(bar_s) and same(2 * bar_s)


def _rest(onsets: Onsets, attacks: FloatArray, lines: FloatArray, first_sound_s: float, long: bool) -> float:
    """Probability that the bar from lines[0], inside which the music begins, is bar one.

    long : what sounds in it is long enough to tell whether it is the groove
    """

    def strongest(start_s: float, end_s: float) -> float:
        return moments.strongest(attacks, onsets.rate, start_s, end_s)

    rest_s = first_sound_s - float(lines[0])
    begins = strongest(first_sound_s - SAME_EVENT_S, first_sound_s + 2 * SAME_EVENT_S)
    again = strongest(float(lines[1]) - SAME_EVENT_S, float(lines[1]) + rest_s - 2 * SAME_EVENT_S)
    bar_s = float(lines[1] - lines[0])
    now, then = (
        moments.level(onsets, t, t + bar_s - rest_s).mean() for t in (first_sound_s, first_sound_s + bar_s)
    )
    fades = begins < SOFT and now + FADE_DB < then
    odds = REST_BARS * rest_s / bar_s + PHRASE * _phrases(onsets, lines)
    if fades or again < REST_ATTACK * begins:
        return float(expit(odds + SAME_REST))
    rest = float(expit(odds + NO_REST))
    if rest < 0.5 and long and _goes_on(onsets, first_sound_s, float(lines[0]), float(lines[1])):
        return float(np.clip(expit(odds + SAME_REST), 1.0 - OPEN, OPEN))
    return rest


def _phrases(onsets: Onsets, lines: FloatArray) -> float:
    """How much more the music changes at multiples of four bars from lines[0] than at those from lines[1],
    as a share of all its changes from the fifth bar on: -1 .. 1."""
    if len(lines) < 2:
        return 0.0
    bars = np.stack([moments.level(onsets, a, b) for a, b in pairwise(lines)])
    changes = np.zeros(PHRASE_BARS)
    for k in range(PHRASE_BARS, len(bars)):
        changes[k % PHRASE_BARS] += np.abs(bars[k] - bars[k - 1]).sum()
    share = (changes[0] - changes[1]) / max(float(changes.sum()), 1e-9)
    return float(share) * min(len(bars) / TELLING_BARS, 1.0)
