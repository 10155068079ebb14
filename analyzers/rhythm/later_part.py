"""Bar lines half a beat off because of how a song begins: its later part is asked by itself.

Chords and bass on every "and" pass for beats until drums come in (house, dub, ska), and bar lines that begin
with the first sound stay where it was. So what follows the introduction is read once more at the song's beat
rate, without where its first sounds fall: they fall where it was cut. How likely the bar lines half a beat
off are is told by what the networks make of that, with harmony and without it, by how sure the whole song is,
and by what is struck on the beats and on the "ands" there, in each band, and whether it comes with every
other beat: a backbeat is on beats, open hats are off them, but quarters of closed hats are not (common
practice). Logistic, `tests/training/later_part_fit.py`. From one half on the other bar lines are taken; else
they are a doubt.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.half_beat import NEAR, log_odds, without_harmony
from analyzers.rhythm.in_beats import SLOTS
from analyzers.rhythm.meter import LEAST_SHARE, calibrated, probabilities
from analyzers.rhythm.meter_evidence import INSTANTS, weigh
from analyzers.rhythm.reading import Reading
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
BEGINNING = 0.4  # share of a song in which introductions end: as much is left as bars are told by
UNSURE = 0.7  # probability of bar lines that the later part does not share, at most
CLEARLY = np.log(1.25)  # log odds of the later part for its own bar lines: less is no opinion
DRUMS_AGAINST = -np.log(2.7)  # and of its drums alone, below which they count for nothing
DOUBT = 0.3  # probability of the other bar lines from which on they are one
# So much likelier is the line half a beat earlier than another one off the beat: the song begins on the "and"
# of its first beat (73 of 85 readings that were half a beat off; 9 had the one half a beat later)
EARLIER = 8.0
LEAST_SONG = 0.001  # probability that the song gives to any bar line


def heard_later(onsets: Onsets, pulses_s: FloatArray, reading: Reading) -> Reading:
    """The reading, with the bar lines half a beat off where the later part of the song has them there, or
    doubted.

    Where the whole song has none there, nobody asks.

    pulses_s : evenly spaced, through the file [shape=(n,)]
    """
    if not any(late % 1.0 == 0.5 for late, _ in reading.other_lines):
        return reading
    first = int(BEGINNING * len(pulses_s))
    start_s, period_s = float(pulses_s[first]), float(np.median(np.diff(pulses_s))) * reading.ratio
    bpm = 60.0 / period_s
    h = weigh(onsets.part(start_s, np.inf), pulses_s[first:] - start_s, 0.0, (0.999 * bpm, 1.001 * bpm))
    late = (h.offset + first - reading.offset) / reading.ratio
    on, off = (np.abs(late - phase - np.round(late - phase)) < NEAR for phase in (0.0, 0.5))
    here, there = (phase & (h.beats == reading.beats) for phase in (on, off))
    if not here.any() or not there.any():
        return reading
    evidence = h.evidence.copy()
    evidence[:, INSTANTS] = 0.0
    p = probabilities(evidence)
    networks = log_odds(p, on, off)
    songs, places = dict(reading.other_lines), [reading.place(round(2 * x) / 2) for x in late.tolist()]
    all_told = p * [(songs.get(x, 0.0) + LEAST_SHARE) * (EARLIER if x == -0.5 else 1.0) for x in places]
    best, other = int(np.argmax(np.where(here, p, -1.0))), int(np.argmax(np.where(there, all_told, -1.0)))
    drums = log_odds(probabilities(without_harmony(evidence)), on, off)
    share = _share(told(networks, drums, song_odds(reading), h.hits(best)[:, : reading.beats]))
    if share > 0.5:
        return reading.turned(float(late[other]), share)
    if networks > CLEARLY and drums > DRUMS_AGAINST:
        share = max(share, 1.0 - UNSURE)
    if share < DOUBT:
        return reading
    return reading.doubted(1.0 - share, round(2 * late[other]) / 2)


def _share(evidence: FloatArray) -> float:
    """Probability of the bar lines half a beat off (`told`)."""
    return calibrated("later_part", evidence)


def song_odds(reading: Reading) -> float:
    """Log odds of the bar lines half a beat off by the whole song."""
    half = sum(p for late, p in reading.other_lines if late % 1.0 == 0.5)
    return float(np.log((half + LEAST_SONG) / (reading.bar_probability + LEAST_SONG)))


def told(networks: float, drums: float, song: float, hits: FloatArray) -> FloatArray:
    """What the odds rest on [shape=(3 + 2 * 6 + 2 * 5,)]: opinions, attacks of each band on the beats and
    halfway, and how much stronger every other one of these is (hats left out; halfway it may be either).

    networks, drums, song : log odds of the bar lines half a beat off, by the networks, by them without
        harmony, by the whole song
    hits : attacks of the bar whose beats are the reading's [shape=(6 bands, beats, slots)]
    """
    here, there = hits[:, :, 0], hits[:, :, SLOTS // 2]
    second, other = ((x[:, 1::2].mean(axis=1) - x[:, ::2].mean(axis=1))[:-1] for x in (here, there))
    return np.concatenate(
        [[networks, drums, song], here.mean(axis=1), there.mean(axis=1), second, np.abs(other)]
    )
