"""The song cut into beats: attacks, changes of harmony and level, and turns of the music, beat by beat.

A beat rate and a phase cut the song; what begins and changes in each beat is read off its curves once. The
beats are folded on bars by `meter_evidence` and heard in their order by `beat_by_beat`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.lattice import autocorrelations, windows_of
from analyzers.rhythm.pulse_map import pulse_number
from analyzers.rhythm.turns import CURVES, MOVES, turn_rows
from analyzers.signal.onsets import BANDS, Onsets
from analyzers.signal.samples import ordered

FloatArray = npt.NDArray[np.floating]

SLOTS = 12  # places in a beat: sixteenths and triplets both fall on them
HALF_SLOT = 0.5 / SLOTS  # a beat's first slot begins, and its last one ends, so much ahead of a beat
LAGS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
SPANS = (1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 1, 4 / 3, 3 / 2, 2, 3, 4)  # beats after which attacks come again
# Numbers that are heard of a beat: attacks, changes of chroma, of level, turns, entries, levels
HEARD_PARTS = (BANDS * SLOTS, 8, 2, CURVES + 1, 2 * MOVES, BANDS)
HEARD = sum(HEARD_PARTS)
# Rows of `InBeats`: the same but levels; changes of level and turns are squares, fifth powers of turns follow
ENDS = np.cumsum([*HEARD_PARTS[:4], CURVES + 1])
MOST_HEARD = 1024  # beats, from the first on
WINDOW_S, HOP_S, LONGEST_S, STEP = 8.0, 4.0, 6.0, 2  # of the autocorrelation read at `SPANS`; STEP: in frames


@dataclass(frozen=True, slots=True, eq=False)
class Song:
    """Curves of the song with the pulse number of each of their frames."""

    strength: FloatArray  # [shape=(bands, frames)], about 1 on a loud attack
    u: FloatArray  # pulse number of each frame
    recurrence: FloatArray  # mean autocorrelation of short windows, 1 at lag 0 [shape=(lags,)]
    recurrence_rate: float  # its lags a second
    pulse_s: float  # median length of a pulse
    chroma_sum: FloatArray  # running sum [shape=(frames + 1, 24)]
    chroma_u: FloatArray
    level_sum: FloatArray  # running sum of band levels [shape=(bands, frames + 1)]
    first_u: float  # first sound
    low_u: float  # first strong low attack
    jump_u: float  # largest lasting rise of level

    def whole_beats(self, ratio: float, phase: float) -> int:
        """Beats of so many pulses, from so many beats after the first pulse on."""
        return int(np.floor(self.u[-1] / ratio - phase + HALF_SLOT))


def prepared(onsets: Onsets, pulses: FloatArray, first_sound_s: float) -> Song:
    """The curves of a song along its pulses (times, s) [shape=(n,)]."""
    frames, strength = onsets.strength.shape[1], onsets.levelled
    time = np.arange(frames) / onsets.rate
    chroma_time = np.arange(onsets.chroma.shape[1]) / onsets.chroma_rate
    level_sum = np.cumsum(np.pad(onsets.level, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
    low = strength[0] + strength[1]
    strong = np.flatnonzero(low > 0.6 * np.percentile(low, 99.5))
    span = max(int(2.0 * onsets.rate), 1)
    at = np.arange(span, max(frames - span, span + 1), max(span // 32, 1))
    at = at[at + span <= frames] if frames > 2 * span else np.array([0])
    whole = level_sum.sum(axis=0)
    jump = whole[at + span] - 2 * whole[at] + whole[at - span] if frames > 2 * span else np.zeros(1)
    instants = np.array(
        [first_sound_s, time[strong[0]] if len(strong) else 0.0, time[at[int(np.argmax(jump))]]]
    )
    first_u, low_u, jump_u = pulse_number(instants, pulses)
    return Song(
        strength=strength,
        u=pulse_number(time, pulses),
        recurrence=recurrence_of(strength, onsets.rate / STEP),
        recurrence_rate=onsets.rate / STEP,
        pulse_s=float(np.median(np.diff(pulses))),
        chroma_sum=np.cumsum(np.pad(onsets.chroma.T, ((1, 0), (0, 0))), axis=0, dtype=np.float64),
        chroma_u=pulse_number(chroma_time, pulses),
        level_sum=level_sum,
        first_u=float(first_u),
        low_u=float(low_u),
        jump_u=float(jump_u),
    )


def recurrence_of(strength: FloatArray, rate: float) -> FloatArray:
    """How alike the attacks in a short window are to those a lag later, wherever the tempo goes."""
    n = strength.shape[1] // STEP
    curve = strength[:, : n * STEP].mean(axis=0, dtype=np.float64).reshape(n, STEP).mean(axis=1)
    size, hop = min(int(WINDOW_S * rate), n), int(HOP_S * rate)
    longest = min(int(LONGEST_S * rate), size)
    windows = windows_of(curve[None], size, hop)
    total = autocorrelations(windows - windows.mean(axis=2, keepdims=True), longest).sum(axis=0)
    overlap = 1.0 - np.arange(longest) / size
    out: FloatArray = total / max(float(total[0]), 1e-9) / overlap
    return np.convolve(out, [0.25, 0.5, 0.25], mode="same")


class InBeats:
    """The song cut into beats of one period and phase, counted from its first whole one.

    count : of the beats; hits : attacks, about 1 where loud [shape=(bands, count, SLOTS)]; level : mean level
    of each beat in dB [shape=(bands, count)]; rows : attacks, chroma changes, level changes, turns, beat by
    beat [shape=(rows, count)]; likeness : of beats and attacks some beats apart [shape=(2 * LAGS + SPANS,)]
    """

    def __init__(self, song: Song, ratio: float, phase: float) -> None:
        self.song, self.ratio, self.phase = song, ratio, phase
        self.count = song.whole_beats(ratio, phase)
        v = song.u / ratio - phase
        slots = np.arange(self.count * SLOTS)
        edges = np.minimum(np.searchsorted(v, (slots - 0.5) / SLOTS), len(v) - 1)
        peak = np.maximum.reduceat(ordered(song.strength), edges, axis=1)
        self.hits = peak.view(np.float32).reshape(BANDS, self.count, SLOTS)
        at = np.arange(2 * self.count) / 2
        after = [self._means(at + 0.05, 0.9 * span) for span in (1.0, 2.0)]
        before = [self._means(at + 0.05 - 0.9 * span, 0.9 * span) for span in (1.0, 2.0)]
        changes = [self._chroma_change(*pair) for pair in zip(after, before, strict=True)]
        chroma = after[0][::2]  # of each beat
        self.likeness = np.concatenate(
            [self._likeness(self.hits.transpose(1, 0, 2)), self._likeness(chroma), self._recurrence()]
        )
        self.level = self._levels(v)
        turns = turn_rows(self.hits, self.level, chroma.T)
        attacks = self.hits.transpose(0, 2, 1).reshape(-1, self.count)
        self.rows = np.concatenate([attacks, *changes, self._level_change(v), turns])

    def heard(self) -> npt.NDArray[np.uint8]:
        """What is heard of each beat, each number from 0 to 255 of what is usual at most: attacks, changes of
        chroma and level, turns, what enters and leaves, levels about their mean [shape=(beats, HEARD)]. Of no
        more than `MOST_HEARD` beats."""
        first = slice(0, MOST_HEARD)
        attacks, chroma, change, turns, _, entries = np.split(self.rows[:, first], ENDS)
        change, turns = np.sqrt(change), np.sqrt(turns)
        level = self.level[:, first] - self.level.mean(axis=1, keepdims=True)
        usual = (attacks / 1.5, chroma / 2, change / 4, turns / 6, entries / 2, level / 48 + 0.5)
        out: npt.NDArray[np.uint8] = np.round(255 * np.clip(np.concatenate(usual), 0.0, 1.0)).T.astype(
            np.uint8
        )
        return out

    def _means(self, centre: FloatArray, span: float) -> FloatArray:
        """Mean chroma of the stretches [centre, centre + span] beats [shape=(n, 24)]."""
        u = self.song.chroma_u / self.ratio - self.phase
        last = len(self.song.chroma_sum) - 1
        a = np.minimum(np.searchsorted(u, centre), last - 1)
        b = np.minimum(np.maximum(np.searchsorted(u, centre + span), a + 1), last)
        out: FloatArray = (self.song.chroma_sum[b] - self.song.chroma_sum[a]) / (b - a)[:, None]
        return out

    def _chroma_change(self, after: FloatArray, before: FloatArray) -> FloatArray:
        """Distance of the chroma after and before each half beat, bass and treble [shape=(4, beats)]."""
        gap = np.abs(after - before).reshape(self.count, 2, 2, 12).sum(axis=3)
        out: FloatArray = gap.transpose(2, 1, 0).reshape(4, self.count)
        return out

    def _level_change(self, v: FloatArray) -> FloatArray:
        """Mean square lasting change of level at each beat: all bands, the low two [shape=(2, beats)]."""
        last = self.song.level_sum.shape[1] - 1
        edges = np.clip(np.searchsorted(v, np.arange(-4, self.count + 4)), 0, last)
        total = self.song.level_sum[:, edges]
        mean = (total[:, 4:] - total[:, :-4]) / np.maximum(edges[4:] - edges[:-4], 1)  # of four beats
        gap = mean[:, 4:] - mean[:, :-4]
        gap[:, edges[:-8] == edges[4:-4]] = 0.0
        power = (gap / 10.0) ** 2
        out: FloatArray = np.stack([power.mean(axis=0), power[:2].mean(axis=0)])
        return out

    def _likeness(self, vectors: FloatArray) -> FloatArray:
        """Correlation of beats `LAGS` apart [shape of LAGS]."""
        x = vectors.reshape(self.count, -1)
        x = x - x.mean(axis=0)
        power = float((x**2).mean(axis=0).sum()) + 1e-9
        out = np.zeros(len(LAGS))
        for k, lag in enumerate(LAGS):
            if lag < self.count:
                out[k] = float(np.vdot(x[lag:], x[:-lag])) / (self.count - lag) / power
        return out

    def _recurrence(self) -> FloatArray:
        """How strongly attacks come again after each of `SPANS`; 0 where that is too long to tell."""
        lags = np.array(SPANS) * self.ratio * self.song.pulse_s * self.song.recurrence_rate
        curve = self.song.recurrence
        out: FloatArray = np.interp(lags, np.arange(len(curve)), curve, right=0.0)
        return out

    def _levels(self, v: FloatArray) -> FloatArray:
        """Mean level of each beat in dB [shape=(bands, beats)]."""
        last = self.song.level_sum.shape[1] - 1
        edges = np.minimum(np.searchsorted(v, np.arange(self.count + 1) - 0.5 / SLOTS), last)
        out: FloatArray = np.diff(self.song.level_sum[:, edges], axis=1) / np.maximum(np.diff(edges), 1)
        return out
