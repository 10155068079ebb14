"""What speaks for each way of counting the music, as numbers.

A hypothesis is a beat period (a simple multiple of the pulse), a beat phase, a number of beats in the bar and
the beat that begins it. Its evidence is what one sees when the song is folded on that bar: onset strength in
six bands at twelve places of each beat, harmonic and level changes at each beat, where the music turns
(`turns`), how alike bars and beats are, where the first sounds fall. `analyzers.rhythm.meter` weighs it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.folding import MOST_BEATS, folded, layout
from analyzers.rhythm.in_beats import HALF_SLOT, LAGS, SLOTS, SPANS, InBeats, prepared
from analyzers.rhythm.turns import CURVES, CYCLES, MOVES, ROWS, shares
from analyzers.signal.onsets import BANDS, Onsets

FloatArray = npt.NDArray[np.floating]

RATIOS = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75, 3.0, 1 / 3)
METERS = (4, 3, 2)  # beats in a bar; 2: dotted beats of 6/8
PHASES, LEAST_BEATS = 4, 8  # of the beat that are weighed; of a way to count that may be chosen
PLACES = 8
# Folded on the bar, as (groups, parts of a beat): attacks, chroma changes, level changes, turns, entries
BAR = ((BANDS, SLOTS), (4, 2), (2, 1), (2 * (CURVES + 1) + len(CYCLES), 1), (MOVES, 2))
# then likeness, recurrence, instants, tempo, meter, rank of the phase
PARTS = (*(MOST_BEATS * g * n for g, n in BAR), 2 * len(LAGS), len(SPANS), 3 * PLACES, 2, len(METERS), 2)
SIZE = sum(PARTS)
SPANS_AT = sum(PARTS[: len(BAR) + 1])  # where `SPANS` begin
CHROMA, TURNS, INSTANTS = (slice(sum(PARTS[:k]), sum(PARTS[: k + 1])) for k in (1, 3, 7))  # where these stand


@dataclass(frozen=True, slots=True, eq=False)
class Hypotheses:
    """Parallel arrays, one entry a hypothesis [shape=(n,)], and their evidence [shape=(n, SIZE)].

    ratio : beat period in pulses; offset : pulse number (fractional) of a bar's first beat, in the first bar
    beats : beats in a bar; tempo : index of the ratio in `RATIOS`; phase : rank of the beat phase
    heard : the beats of each rate and phase (`InBeats.heard`); of each there are bars of each of `METERS`,
        from each of their beats on
    """

    ratio: FloatArray
    offset: FloatArray
    beats: npt.NDArray[np.int64]
    tempo: npt.NDArray[np.int64]
    phase: npt.NDArray[np.int64]
    evidence: npt.NDArray[np.float32]
    heard: tuple[npt.NDArray[np.uint8], ...] = ()

    def hits(self, k: int) -> npt.NDArray[np.float32]:
        """Attacks in the bar of hypothesis k, of its evidence [shape=(bands, MOST_BEATS, SLOTS)]."""
        return self.evidence[k, : PARTS[0]].reshape(BANDS, MOST_BEATS, SLOTS)


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
    song = prepared(onsets, pulses_s, first_sound_s)
    pulse_bpm, (low, high) = 60.0 / float(np.median(np.diff(pulses_s))), tempo_range_bpm
    allowed = [k for k, r in enumerate(RATIOS) if low <= pulse_bpm / r <= high] or [0]
    columns: list[tuple[float, float, int, int, int]] = []
    rows: list[npt.NDArray[np.float32]] = []
    heard: list[npt.NDArray[np.uint8]] = []
    for tempo in allowed:
        ratio = RATIOS[tempo]
        for rank, phase in enumerate(beat_phases(song.strength, song.u, ratio)):
            if song.whole_beats(ratio, phase) < least:
                continue
            in_beats = InBeats(song, ratio, phase)
            heard.append(in_beats.heard())
            for beats in METERS:
                columns += [(ratio, (phase + first) * ratio, beats, tempo, rank) for first in range(beats)]
                rows.append(_on_bars(in_beats, beats, np.log2(pulse_bpm / ratio / 110.0), rank))
    table = np.array(columns).reshape(-1, 5)
    return Hypotheses(
        ratio=table[:, 0],
        offset=table[:, 1],
        beats=table[:, 2].astype(np.int64),
        tempo=table[:, 3].astype(np.int64),
        phase=table[:, 4].astype(np.int64),
        evidence=np.concatenate([np.zeros((0, SIZE), np.float32), *rows]),
        heard=tuple(heard),
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


def _on_bars(b: InBeats, beats: int, log_tempo: float, rank: int) -> npt.NDArray[np.float32]:
    """The evidence of bars of `beats` beats that begin on beat 0, 1, .. (and every `beats` on)
    [shape=(beats, SIZE)]."""
    bars = folded(b.rows, beats)
    level = slice(len(bars) - ROWS - 2, len(bars) - ROWS)
    bars[level] = np.sqrt(bars[level])
    bars = np.concatenate([bars[:-ROWS], shares(b.rows[-ROWS:], bars[-ROWS:]), np.zeros((1, beats))])
    kind = [log_tempo, log_tempo**2, *(beats == m for m in METERS), rank == 0, rank == 1]
    alike, last = (np.tile(x, (beats, 1)) for x in (b.likeness, np.array(kind, float)))
    parts = [bars.ravel()[layout(BAR, beats)], alike, _places(b, beats), last]
    return np.concatenate(parts, axis=1).astype(np.float32)


def _places(b: InBeats, beats: int) -> FloatArray:
    """Where the song's instants fall in such bars: soft one-hots over half beats [shape=(beats, 24)]."""
    u = np.array([b.song.first_u, b.song.low_u, b.song.jump_u]) / b.ratio - b.phase
    place = ((u - np.arange(beats)[:, None]) % beats) * 2.0
    gap = np.abs(place[:, :, None] - np.arange(PLACES))
    gap = np.minimum(gap, 2.0 * beats - gap)
    out: FloatArray = np.exp(-0.5 * (gap / 0.25) ** 2) * (np.arange(PLACES) < 2 * beats)
    return out.reshape(beats, -1)
