"""From a pulse and the way to count it to the beats of the session, on the attacks to a millisecond."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.model import BeatRestart
from analyzers.rhythm import moments
from analyzers.rhythm.barline import SAME_EVENT_S
from analyzers.rhythm.beat_onsets import SHARP, SOFT, local_offsets, loose_offset, onset_offset, places_in
from analyzers.rhythm.lattice_fit import agreement, snap_tempo
from analyzers.rhythm.pulse import Pulse
from analyzers.rhythm.pulse_map import pulse_time
from analyzers.rhythm.reading import Reading
from analyzers.rhythm.tempo_steps import curve
from analyzers.signal.features import Features
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class Beats:
    """Beats from a bar line before the file to its end: times [shape=(n,)]; beat 0 begins a bar."""

    times_s: FloatArray
    bpm: float
    curve: tuple[tuple[float, float], ...] | None  # None: constant
    restarts: tuple[BeatRestart, ...] = ()


def steady_beats(f: Features, pulse: Pulse, reading: Reading) -> Beats:
    """Evenly spaced beats, laid on the attacks over the whole song."""
    agrees = agreement(pulse.rise, f.onsets.fine_rate, pulse.period_s)
    bpm = snap_tempo(60.0 / (pulse.period_s * reading.ratio), f.duration_s, pulse.lags.coherence, agrees)
    return Beats(even_beats(f.onsets, f.duration_s, pulse.period_s, bpm, reading), bpm, None)


def even_beats(onsets: Onsets, duration_s: float, pulse_s: float, bpm: float, reading: Reading) -> FloatArray:
    """Beats at `bpm` from a bar line before the first sample on, laid on the attacks."""
    period = 60.0 / bpm
    line = reading.offset * pulse_s
    bar = period * reading.beats
    middle = round((duration_s / 2 - line) / bar)  # the fit is best in the middle: carry on from there
    line += middle * pulse_s * reading.ratio * reading.beats
    first = line - (np.floor(line / bar) + 1) * bar
    times = first + period * np.arange(int((duration_s - first) / period) + 1)
    beats: FloatArray = times + _offset(onsets, times, reading.beats)[0]
    return beats


def moving_beats(f: Features, pulse: Pulse, reading: Reading, first_sound_s: float) -> Beats:
    """Beats along the pulse map, or on two straight lines where one change of tempo explains it."""
    assert pulse.moving_s is not None
    pulses, n = pulse.moving_s, reading.beats
    bar = reading.ratio * n
    start = reading.offset - np.ceil(reading.offset / bar) * bar
    count = np.arange(start, len(pulses) + 2 * reading.ratio, reading.ratio)
    times = pulse_time(count, pulses)
    while times[0] > 0.0:
        step = (times[n] - times[0]) / n
        times = np.concatenate([times[0] + step * np.arange(-n, 0), times])
        count = np.concatenate([count[0] + reading.ratio * np.arange(-n, 0), count])
    inside = times <= f.duration_s
    times, count = times[inside], count[inside]
    if pulse.knee is None:
        offset, sharpness = _offset(f.onsets, times, n)
        times = times + offset
        if sharpness >= SOFT:
            times = times + local_offsets(f.onsets, times, _parts(n))
        times = _to_first_onset(f.onsets, times, n, first_sound_s)
        bpm = 60.0 * (len(times) - 1) / (times[-1] - times[0])
        return Beats(times, float(bpm), curve(times[::n], n))
    return _two_straight(f, times, count < pulse.knee + 0.5 * reading.ratio, n)


def _two_straight(f: Features, times: FloatArray, before: npt.NDArray[np.bool_], n: int) -> Beats:
    """Each side on a line of its own, laid on its own attacks; the tempo changes at the beat nearest to where
    they cross. That of the longer side stands for the song."""
    count = np.arange(len(times))
    lines = []
    for side in (before, ~before):
        period = float(np.median(np.diff(times[side])))
        start = float(np.median(times[side] - period * count[side]))
        lines.append((period, start + _offset(f.onsets, times[side], n)[0]))
    (first, a), (second, b) = lines
    k = round((b - a) / (first - second))
    bend = int(before.sum()) - 1
    if abs(k - bend) > n:  # hardly another tempo: where the pulses change
        k = bend
    times = np.where(count <= k, a + first * count, b + second * count)
    longer = second if len(times) > 2 * (k + 1) else first
    tempi = tuple((float(times[at]), round(60.0 / period, 4)) for at, period in ((0, first), (k, second)))
    return Beats(times, 60.0 / longer, tempi)


def _to_first_onset(onsets: Onsets, times: FloatArray, n: int, first_sound_s: float) -> FloatArray:
    """A played song that begins on a bar line: its first attack, out of silence, places that line exactly.

    It does so farther from the line, too, where the map has run past it: the bar then takes up the rest.
    """
    k = int(np.argmin(np.abs(times[::n] - first_sound_s))) * n
    if k + 1 >= len(times):
        return times
    line_s, beat_s = float(times[k]), float(times[k + 1] - times[k])
    near = abs(line_s - first_sound_s) <= SAME_EVENT_S
    if not near and not moments.is_own(onsets, first_sound_s, line_s, beat_s):
        return times
    place = line_s if near else first_sound_s
    offset, _ = onset_offset(onsets, np.array([place]), np.ones(1))
    after = np.arange(len(times)) - k
    moved = np.clip(1.0 - after / (1 if near else n), 0.0, 1.0)
    return times + moved * (place + offset - line_s)


def _parts(beats: int) -> int:
    """Places in a beat at which attacks are heard; `beats`: in a bar."""
    return 3 if beats == 2 else 2


def _offset(onsets: Onsets, times: FloatArray, beats: int) -> tuple[float, float]:
    """How far the attacks lie after the beats, and how sharply together (`onset_offset`).

    A snare that is laid back, or slow, sounds on beats only. So the places halfway between them (in dotted
    beats: the thirds) are heard, too. Where what sounds at both is not sharply together, each has a voice.
    """
    parts = _parts(beats)
    places = places_in(times, parts)
    heard = np.flatnonzero(places >= 0.0)
    heard = heard[:: int(np.ceil(len(heard) / 4000)) or 1]
    at, number = places[heard], heard
    weight = np.where(number % (beats * parts) == 0, 2.0, 1.0)
    offset, sharpness = onset_offset(onsets, at, weight)
    if sharpness > SHARP:
        return offset, sharpness
    return loose_offset(onsets, at, weight, number % parts == 0, soft=sharpness < SOFT), sharpness
