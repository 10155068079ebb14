"""What speaks for each way of counting the music, as numbers.

A hypothesis is a beat period (a simple multiple of the pulse), a beat phase, a number of beats in the bar and
the beat that begins it. Its evidence is what one sees when the song is folded on that bar: onset strength in
six bands at twelve places of each beat, harmonic and level changes at each beat, where the music turns
(`turns`), how alike bars and beats are, where the first sounds fall. `analyzers.rhythm.meter` weighs it.

Convention: a pulse map (times of evenly numbered pulses) carries steady and moving tempi alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.folding import MOST_BEATS, folded, layout
from analyzers.rhythm.lattice import autocorrelations, windows_of
from analyzers.rhythm.turns import CURVES, CYCLES, MOVES, ROWS, shares, turn_rows
from analyzers.signal.onsets import BANDS, Onsets
from analyzers.signal.samples import ordered

FloatArray = npt.NDArray[np.floating]

RATIOS = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75, 3.0, 1 / 3)
METERS = (4, 3, 2)  # beats in a bar; 2: dotted beats of 6/8
SLOTS = 12  # places in a beat: sixteenths and triplets both fall on them
PHASES, LEAST_BEATS = 4, 8  # of the beat that are weighed; of a way to count that may be chosen
HALF_SLOT = 0.5 / SLOTS  # a beat's first slot begins, and its last one ends, so much ahead of a beat
LAGS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
SPANS = (1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 1, 4 / 3, 3 / 2, 2, 3, 4)  # beats after which attacks come again
PLACES = 8
# Folded on the bar, as (groups, parts of a beat): attacks, chroma changes, level changes, turns, entries
BAR = ((BANDS, SLOTS), (4, 2), (2, 1), (2 * (CURVES + 1) + len(CYCLES), 1), (MOVES, 2))
# then likeness, recurrence, instants, tempo, meter, rank of the phase
PARTS = (*(MOST_BEATS * g * n for g, n in BAR), 2 * len(LAGS), len(SPANS), 3 * PLACES, 2, len(METERS), 2)
SIZE = sum(PARTS)
SPANS_AT = sum(PARTS[: len(BAR) + 1])  # where `SPANS` begin
CHROMA, TURNS, INSTANTS = (slice(sum(PARTS[:k]), sum(PARTS[: k + 1])) for k in (1, 3, 7))  # where these stand
WINDOW_S, HOP_S, LONGEST_S, STEP = 8.0, 4.0, 6.0, 2  # of the autocorrelation read at `SPANS`; STEP: in frames


@dataclass(frozen=True, slots=True, eq=False)
class Hypotheses:
    """Parallel arrays, one entry a hypothesis [shape=(n,)], and their evidence [shape=(n, SIZE)].

    ratio : beat period in pulses; offset : pulse number (fractional) of a bar's first beat, in the first bar
    beats : beats in a bar; tempo : index of the ratio in `RATIOS`; phase : rank of the beat phase
    """

    ratio: FloatArray
    offset: FloatArray
    beats: npt.NDArray[np.int64]
    tempo: npt.NDArray[np.int64]
    phase: npt.NDArray[np.int64]
    evidence: npt.NDArray[np.float32]

    def hits(self, k: int) -> npt.NDArray[np.float32]:
        """Attacks in the bar of hypothesis k, of its evidence [shape=(bands, MOST_BEATS, SLOTS)]."""
        return self.evidence[k, : PARTS[0]].reshape(BANDS, MOST_BEATS, SLOTS)


@dataclass(frozen=True, slots=True, eq=False)
class _Song:
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


def weigh(
    onsets: Onsets,
    pulses_s: FloatArray,
    first_sound_s: float,
    tempo_range_bpm: tuple[float, float],
    least: int = LEAST_BEATS,
) -> Hypotheses:
    """Evidence for every hypothesis whose tempo is in range and that has `least` beats.

    Parameters
    ----------
    onsets : curves of the signal
    pulses_s : pulse times through the file, rising [shape=(n,)], n >= 8
    first_sound_s : first musical sound
    tempo_range_bpm : lowest and highest beat rate that may be read; when no multiple of the pulse is inside,
        the pulse itself is kept
    """
    song = _prepare(onsets, pulses_s, first_sound_s)
    pulse_bpm, (low, high) = 60.0 / float(np.median(np.diff(pulses_s))), tempo_range_bpm
    allowed = [k for k, r in enumerate(RATIOS) if low <= pulse_bpm / r <= high] or [0]
    columns: list[tuple[float, float, int, int, int]] = []
    rows: list[npt.NDArray[np.float32]] = []
    for tempo in allowed:
        ratio = RATIOS[tempo]
        for rank, phase in enumerate(beat_phases(song.strength, song.u, ratio)):
            count = int(np.floor(song.u[-1] / ratio - phase + HALF_SLOT))  # whole beats
            if count < least:
                continue
            song_in_beats = _Folded(song, ratio, phase, count)
            for beats in METERS:
                columns += [(ratio, (phase + first) * ratio, beats, tempo, rank) for first in range(beats)]
                rows.append(song_in_beats.evidence(beats, np.log2(pulse_bpm / ratio / 110.0), rank))
    table = np.array(columns).reshape(-1, 5)
    return Hypotheses(
        ratio=table[:, 0],
        offset=table[:, 1],
        beats=table[:, 2].astype(np.int64),
        tempo=table[:, 3].astype(np.int64),
        phase=table[:, 4].astype(np.int64),
        evidence=np.concatenate([np.zeros((0, SIZE), np.float32), *rows]),
    )


def beat_phases(strength: FloatArray, u: FloatArray, ratio: float) -> list[float]:
    """Up to `PHASES` places in a beat with most attacks, strongest first, in beats from -`HALF_SLOT` on."""
    bins = 48
    v = u / ratio
    index = np.floor((v % 1.0) * bins).astype(np.int64) % bins
    fold = np.bincount(index, strength.sum(axis=0), bins) / np.maximum(np.bincount(index, minlength=bins), 1)
    fold = 0.25 * np.roll(fold, 1) + 0.5 * fold + 0.25 * np.roll(fold, -1)
    found: list[float] = []
    left = fold.copy()
    for _ in range(PHASES):
        k = int(np.argmax(left))
        if left[k] <= 0.0:
            break
        a, b, c = fold[k - 1], fold[k], fold[(k + 1) % bins]
        bend = a - 2 * b + c
        at = (k + 0.5 + (0.5 * (a - c) / bend if bend < 0 else 0.0)) / bins
        found.append((at + HALF_SLOT) % 1.0 - HALF_SLOT)
        left[np.arange(k - 3, k + 4) % bins] = 0.0
    return found or [0.0]


def _prepare(onsets: Onsets, pulses: FloatArray, first_sound_s: float) -> _Song:
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
    return _Song(
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


def pulse_number(t: FloatArray, pulses_s: FloatArray) -> FloatArray:
    """Pulse number (fractional) at times t, carried on evenly beyond both ends."""
    n = len(pulses_s)
    first, last = pulses_s[1] - pulses_s[0], pulses_s[-1] - pulses_s[-2]
    u = np.interp(t, pulses_s, np.arange(n))
    out: FloatArray = u + np.minimum(t - pulses_s[0], 0) / first + np.maximum(t - pulses_s[-1], 0) / last
    return out


def pulse_time(u: FloatArray, pulses_s: FloatArray) -> FloatArray:
    """Time of pulse numbers u, the inverse of `pulse_number`."""
    n = len(pulses_s)
    first, last = pulses_s[1] - pulses_s[0], pulses_s[-1] - pulses_s[-2]
    t = np.interp(u, np.arange(n), pulses_s)
    out: FloatArray = t + np.minimum(u, 0) * first + np.maximum(u - (n - 1), 0) * last
    return out


class _Folded:
    """The song cut into beats of one period and phase; `evidence` folds the beats into bars."""

    def __init__(self, song: _Song, ratio: float, phase: float, count: int) -> None:
        self.song, self.ratio, self.phase, self.count = song, ratio, phase, count
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
        turns = turn_rows(self.hits, self._levels(v), chroma.T)
        attacks = self.hits.transpose(0, 2, 1).reshape(-1, self.count)
        self.rows = np.concatenate([attacks, *changes, self._level_change(v), turns])

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

    def evidence(self, beats: int, log_tempo: float, rank: int) -> npt.NDArray[np.float32]:
        """The evidence of bars of `beats` beats that begin on beat 0, 1, .. (and every `beats` on)
        [shape=(beats, SIZE)]."""
        bars = folded(self.rows, beats)
        level = slice(len(bars) - ROWS - 2, len(bars) - ROWS)
        bars[level] = np.sqrt(bars[level])
        bars = np.concatenate([bars[:-ROWS], shares(self.rows[-ROWS:], bars[-ROWS:]), np.zeros((1, beats))])
        kind = [log_tempo, log_tempo**2, *(beats == m for m in METERS), rank == 0, rank == 1]
        alike, last = (np.tile(x, (beats, 1)) for x in (self.likeness, np.array(kind, float)))
        parts = [bars.ravel()[layout(BAR, beats)], alike, self._places(beats), last]
        return np.concatenate(parts, axis=1).astype(np.float32)

    def _places(self, beats: int) -> FloatArray:
        """Where the song's instants fall in such bars: soft one-hots over half beats [shape=(beats, 24)]."""
        u = np.array([self.song.first_u, self.song.low_u, self.song.jump_u]) / self.ratio - self.phase
        place = ((u - np.arange(beats)[:, None]) % beats) * 2.0
        gap = np.abs(place[:, :, None] - np.arange(PLACES))
        gap = np.minimum(gap, 2.0 * beats - gap)
        out: FloatArray = np.exp(-0.5 * (gap / 0.25) ** 2) * (np.arange(PLACES) < 2 * beats)
        return out.reshape(beats, -1)
