"""A song whose beat starts anew, off the count before it: each side is read by itself, then counted on.

The two sides have the same meter, and at one tempo the same beat. Where one tempo gives way to another, the
count may go on all the same: it does unless the bars of the second side clearly say otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analyzers.model import BeatRestart
from analyzers.rhythm.bar_restarts import find_bar_restart
from analyzers.rhythm.beat_times import Beats, even_beats
from analyzers.rhythm.lattice_fit import agreement, fine_rise, open_share, snap_tempo
from analyzers.rhythm.meter import choose_reading, probabilities
from analyzers.rhythm.meter_evidence import Hypotheses, weigh
from analyzers.rhythm.other_counts import SteadyRate
from analyzers.rhythm.pulse import Pulse
from analyzers.rhythm.pulse_patterns import TwoCounts, fold_sides
from analyzers.rhythm.reading import Reading
from analyzers.rhythm.restarts import joined
from analyzers.signal.features import Features
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
# The count does not go on where bars that are counted on from the first side are less probable than this; at
# one tempo only where the bars of either side are more probable than that
SAME_BARS, OTHER_BARS = 0.1, 0.9
# Bars that are counted on and less probable than this are doubtful all the same: so sure they are at most
PERHAPS_SAME, PERHAPS = 0.2, 0.5
APART = 0.8  # probability of the tempo of either side, from which they are two
REACH_BARS = 1.5  # the exact place of a restart of bars is looked for so near
ONE_TEMPO = 0.05  # octaves between two tempi that are one, counted at any level
ON_LINE = 0.06  # of a bar, or of a beat: lines this near are the same
BEATS_ALONE = 0.3  # of what the other side strikes between its beats: one that strikes less has beats alone


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """What lies on one side: its curves, its start in the song, its length; from its start on, its first
    sound and pulse 0; the length of a pulse. All in seconds."""

    onsets: Onsets
    start_s: float
    length_s: float
    first_sound_s: float
    zero_s: float
    pulse_s: float

    def weighed(self, tempo_range_bpm: tuple[float, float]) -> Hypotheses:
        pulses = self.zero_s + np.arange(int(self.length_s / self.pulse_s) + 2) * self.pulse_s
        return weigh(self.onsets, pulses, self.first_sound_s, tempo_range_bpm)

    def beats(self, reading: Reading, bpm: float) -> FloatArray:
        """In seconds of the song, from a bar line ahead of the side on [shape=(n,)]."""
        from_start = replace(reading, offset=reading.offset + self.zero_s / self.pulse_s)
        return self.start_s + even_beats(self.onsets, self.length_s, self.pulse_s, bpm, from_start)


def restarted(f: Features, pulse: Pulse, first_sound_s: float, beat: float) -> tuple[Reading, Beats] | None:
    """How the song is counted, and its beats; None where it has one count, or a side cannot be read.

    beat : probability that there is a beat at all
    """
    counts, pulses = pulse.counts, pulse.moving_s
    if counts is None or pulses is None:
        return None
    sides = _sides(f, counts, pulses, first_sound_s)
    ways = _ways(f, sides)
    if ways is None:
        return None
    long, coherence = _longer(sides), _coherence(pulse)
    if pulse.knee is None:  # all of the song says which multiple of the pulse is the beat
        whole = weigh(f.onsets, pulses, first_sound_s, f.options.tempo_range_bpm)
        rate = SteadyRate(60.0 / counts.before_s, open_share(f.duration_s, coherence))
        song = choose_reading(whole, beat, rate=rate)
    else:
        rate = SteadyRate(60.0 / sides[long].pulse_s, open_share(sides[long].length_s, coherence))
        song = choose_reading(ways[long], beat, rate=rate)
        if song is None or not _bars_of(pulses, sides, ways, song).start_anew:
            return None
    if song is None or song.beat_probability < 0.5:
        return None
    return _counted_anew(f, pulse, sides, ways, song)


def told_apart(f: Features, pulse: Pulse, first_sound_s: float) -> Pulse:
    """The pulse with two tempi where either side by itself is surely read at its own (`Pulse.apart`)."""
    change = pulse.apart
    if change is None:
        return pulse
    sides = _sides(f, change.counts, change.pulses_s, first_sound_s)
    ways = _ways(f, sides)
    readings = [choose_reading(way, 1.0) for way in ways] if ways else []
    rates = [
        math.log2(side.pulse_s * reading.ratio)
        for side, reading in zip(sides, readings, strict=False)
        if reading is not None and reading.tempo_probability >= APART
    ]
    if len(rates) < 2 or abs(rates[1] - rates[0] - round(rates[1] - rates[0])) < ONE_TEMPO:
        return pulse
    return replace(
        pulse, moving_s=change.pulses_s, knee=change.knee, counts=change.counts, hinted=False, apart=None
    )


def bars_restarted(
    f: Features, pulse: Pulse, first_sound_s: float, song: Reading
) -> tuple[Reading, Beats | None]:
    """The same for a steady pulse with bars that start anew. Where they do not, or only perhaps: how the song
    is counted as a whole, then less sure of its bars, without beats.

    song : how it is counted as a whole
    """
    pulse_s, rate = pulse.period_s, f.onsets.fine_rate
    bar_s = song.ratio * song.beats * pulse_s
    found = find_bar_restart(f.onsets, bar_s)
    if found is None:
        return song, None
    near_s, late_s = found
    place = fold_sides(pulse.rise, rate, near_s, bar_s, bar_s, REACH_BARS * bar_s).counts
    counts = replace(place, before_s=pulse_s, after_s=pulse_s)
    before = pulse.steady_s[pulse.steady_s <= counts.at_s]
    after = pulse.steady_s + late_s % pulse_s
    pulses = np.concatenate([before, after[after > counts.at_s]])
    sides = _sides(f, counts, pulses, first_sound_s)
    ways = _ways(f, sides)
    if ways is None:
        return song, None
    bars = _bars_of(pulse.steady_s, sides, ways, song)
    off = bars.late - late_s / bar_s
    unsure = min(bars.first, bars.second) < OTHER_BARS or abs(off - round(off)) > ON_LINE
    if unsure or not bars.start_anew or _half_heard(sides, ways, song, bars):
        return _doubted(song, bars), None
    anew = replace(pulse, counts=counts, moving_s=pulses, knee=None)
    return _counted_anew(f, anew, sides, ways, song) or (_doubted(song, bars), None)


def _coherence(pulse: Pulse) -> float:
    return pulse.lags.coherence + max(pulse.evidence[2], 0.0)


def _sides(f: Features, counts: TwoCounts, pulses: FloatArray, first_sound_s: float) -> tuple[_Side, _Side]:
    at_s, end_s = counts.at_s, f.duration_s
    zero_s = float(pulses[-1] - at_s) % counts.after_s
    return (
        _Side(f.onsets.part(0.0, at_s), 0.0, at_s, first_sound_s, float(pulses[0]), counts.before_s),
        _Side(
            f.onsets.part(at_s, np.inf), at_s, end_s - at_s, counts.resumes_s - at_s, zero_s, counts.after_s
        ),
    )


def _longer(sides: tuple[_Side, _Side]) -> int:
    return int(sides[1].length_s > sides[0].length_s)


def _ways(f: Features, sides: tuple[_Side, _Side]) -> tuple[Hypotheses, Hypotheses] | None:
    """The ways to count each side; None where one has too few beats."""
    first, second = (side.weighed(f.options.tempo_range_bpm) for side in sides)
    return (first, second) if len(first.ratio) and len(second.ratio) else None


def _counted_anew(
    f: Features, pulse: Pulse, sides: tuple[_Side, _Side], ways: tuple[Hypotheses, Hypotheses], song: Reading
) -> tuple[Reading, Beats] | None:
    """Each side counted by itself as the song is; None where one cannot be."""
    one_tempo, long = pulse.knee is None, _longer(sides)
    like = [_like(way, song, beat=one_tempo or k == long) for k, way in enumerate(ways)]
    if one_tempo:
        like = _on_one_beat(ways, like, song.ratio)
    beat = song.beat_probability
    readings = [choose_reading(way, beat, beside=alike) for way, alike in zip(ways, like, strict=True)]
    free = choose_reading(ways[0], beat)  # as sure of bar one as the first side is by itself
    if free is None or readings[0] is None or readings[1] is None:
        return None
    both = readings[0], readings[1]
    told = song.tempo_probability * both[0].bar_probability
    reading = replace(song, bar_probability=min(told, free.bar_probability))
    return reading, _beats(f.duration_s, pulse, sides, both)


def _like(h: Hypotheses, reading: Reading, *, beat: bool) -> FloatArray:
    """1 for each hypothesis with the reading's meter, and its beat, else 0 [shape=(n,)]."""
    alike: FloatArray = ((h.beats == reading.beats) & ((h.ratio == reading.ratio) | (not beat))).astype(
        np.float64
    )
    return alike


def _on_one_beat(ways: Sequence[Hypotheses], like: list[FloatArray], ratio: float) -> list[FloatArray]:
    """Of the hypotheses that are alike those whose beats may be the same on both sides, some pulses off."""
    step = math.gcd(12, round(12 * ratio)) / 12  # pulses, after which pulses and beats meet
    likely = [probabilities(way.evidence) * alike for way, alike in zip(ways, like, strict=True)]

    def on(way: Hypotheses, phase: float) -> npt.NDArray[np.bool_]:
        off = (way.offset - phase) / step
        near: npt.NDArray[np.bool_] = np.abs(off - np.round(off)) * step < ON_LINE * ratio
        return near

    def borne_out(phase: float) -> float:
        return math.prod(float(p[on(way, phase)].sum()) + 0.01 for way, p in zip(ways, likely, strict=True))

    phases = [w.offset[k] for w, p in zip(ways, likely, strict=True) for k in np.flatnonzero(p)]
    phase = max(phases, key=borne_out, default=0.0)
    return [alike * on(way, phase) for way, alike in zip(ways, like, strict=True)]


@dataclass(frozen=True, slots=True)
class _Bars:
    """Bars of the second side against those of the first, counted on: how late they are, in bars; how likely
    those of the first side are, those of the second, and that the first side's go on."""

    late: float
    first: float
    second: float
    counted_on: float

    @property
    def start_anew(self) -> bool:
        return self.counted_on <= SAME_BARS


def _bars_of(
    pulses: FloatArray, sides: tuple[_Side, _Side], ways: tuple[Hypotheses, Hypotheses], reading: Reading
) -> _Bars:
    """pulses : along which the first side's bars are counted on, straight from the restart to the end"""
    first, second = (probabilities(way.evidence) * _like(way, reading, beat=True) for way in ways)
    lines_s = sides[1].start_s + sides[1].zero_s + ways[1].offset * sides[1].pulse_s
    numbers = len(pulses) - 1 + (lines_s - pulses[-1]) / sides[1].pulse_s
    bar = reading.ratio * reading.beats
    a, b = int(np.argmax(first)), int(np.argmax(second))

    def on(lines: FloatArray, line: float, p: FloatArray) -> float:
        off = (lines - line) / bar
        return float(p[np.abs(off - np.round(off)) < ON_LINE].sum() / max(p.sum(), 1e-12))

    return _Bars(
        late=float(numbers[b] - ways[0].offset[a]) / bar,
        first=on(ways[0].offset, ways[0].offset[a], first),
        second=on(numbers, numbers[b], second),
        counted_on=on(numbers, ways[0].offset[a], second),
    )


def _half_heard(
    sides: tuple[_Side, _Side], ways: tuple[Hypotheses, Hypotheses], song: Reading, bars: _Bars
) -> bool:
    """Whether bars half a beat off may be those of chords on every "and" before drums come in: what strikes
    once a beat does not tell on which half of it. A cut of half a beat leaves both sides alike."""
    between = [_between(side, way, song) for side, way in zip(sides, ways, strict=True)]
    return abs(bars.late * song.beats % 1.0 - 0.5) < ON_LINE and min(between) < BEATS_ALONE * max(between)


def _between(side: _Side, way: Hypotheses, song: Reading) -> float:
    """What a side, counted by itself, strikes half-way between its beats, of what it strikes on them."""
    line = way.offset[int(np.argmax(probabilities(way.evidence) * _like(way, song, beat=True)))]
    strength = side.onsets.strength.sum(axis=0)
    pulses = (np.arange(len(strength)) / side.onsets.rate - side.zero_s) / side.pulse_s
    late = (pulses - line) / song.ratio
    off, on = (np.abs(late - at - np.round(late - at)) < ON_LINE for at in (0.5, 0.0))
    level = np.maximum(strength - np.median(strength), 0.0)
    return float(level[off].sum() / max(float(level[on].sum()), 1e-9))


def _doubted(song: Reading, bars: _Bars) -> Reading:
    """The song as one count, where its bars may start anew: those of the second side are the other ones."""
    if bars.first < OTHER_BARS or bars.counted_on >= PERHAPS_SAME:
        return song
    return song.doubted(PERHAPS, round(bars.late * song.beats * 4) / 4)


def _beats(
    duration_s: float,
    pulse: Pulse,
    sides: tuple[_Side, _Side],
    readings: tuple[Reading, Reading],
) -> Beats:
    """Even beats on either side, and the few between them that make whole bars."""
    assert pulse.counts is not None
    tempi, lines = [], []
    one_tempo, longer_side = pulse.knee is None, sides[_longer(sides)]
    for side, reading in zip(sides, readings, strict=True):
        told, held_s = (longer_side, duration_s) if one_tempo else (side, side.length_s)
        agrees = agreement(fine_rise(told.onsets), told.onsets.fine_rate, told.pulse_s)
        exact = 60.0 / (side.pulse_s * reading.ratio)
        tempi.append(snap_tempo(exact, held_s, _coherence(pulse), agrees))
        lines.append(side.beats(reading, tempi[-1]))
    before, after = lines
    before = np.concatenate([before, before[-1] + 60.0 / tempi[0] * np.arange(1, 3)])
    times, a, b = joined(before, after, pulse.counts, readings[0].beats)
    halt, start = float(times[a]), float(times[b])
    course = ((float(times[0]), tempi[0]), (start, tempi[1]))
    longer = tempi[_longer(sides)]
    return Beats(times, longer, course, (BeatRestart(halt, start),))
