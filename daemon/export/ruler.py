"""Seconds of the copy to ticks of the session: the time map that every file beside the copy shares.

960 ticks a quarter note; tick 0 is the copy's sample 0. A first bar that is shortened (`sessionbeats`) has a
time signature of its own, and a tempo of its own where that is not its exact length.

Source: Standard MIDI File 1.0 (MMA/AMEI RP-001): tempo in whole microseconds a quarter note.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analyzers.model import Grid
from analyzers.rhythm.note_values import meter_of, quarters_in_beat
from daemon.export.plan import first_bar_seconds
from daemon.export.sessionbeats import Placement, session_beats

TICKS_PER_QUARTER = 960
RULER_BPM = 120.0  # without a grid: the default of the standard
LONGEST_RUN_BEATS = 64
TEMPO_TOLERANCE_S = 0.0008  # one tempo event serves as long as no beat is further off
SHORT_BAR_NOTES = (4, 8, 16, 32, 64)
SHORT_BAR_SHARE = 0.08  # a shortened bar is written in the longest notes that come this near its length
SAME_S = 0.0001  # and needs no tempo of its own where they come this near; nor does what goes on so

Meter = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Ruler:
    """Seconds in the copy to ticks: straight between the anchors, the outer lines carried on."""

    seconds: tuple[float, ...]
    ticks: tuple[float, ...]
    tempi: tuple[tuple[int, int], ...]  # (tick, microseconds a quarter)
    meters: tuple[tuple[int, Meter], ...] = ()  # (tick, meter); none without a grid

    @property
    def tempo_points(self) -> tuple[tuple[int, float], ...]:
        """(tick, quarter notes a minute): exact where no tempo reaches beyond an anchor."""
        if len(self.tempi) < len(self.seconds) - 1:
            return tuple((tick, 6e7 / microseconds) for tick, microseconds in self.tempi)
        spans = zip(pairwise(self.ticks), pairwise(self.seconds), strict=True)
        tempi = [60 * (b - a) / TICKS_PER_QUARTER / (to - since) for (a, b), (since, to) in spans]
        return tuple(zip((0, *map(round, self.ticks[1:-1])), tempi, strict=True))

    def tick(self, copy_s: float) -> int:
        """Tick of an instant, never below 0."""
        i = min(max(bisect_right(self.seconds, copy_s) - 1, 0), len(self.seconds) - 2)
        share = (copy_s - self.seconds[i]) / (self.seconds[i + 1] - self.seconds[i])
        return max(0, round(self.ticks[i] + share * (self.ticks[i + 1] - self.ticks[i])))


def make_ruler(grid: Grid, plan: Placement) -> Ruler:
    """Time map of the copy: constant, following every beat, or a plain 120 BPM ruler without a grid."""
    bar_s, beats = first_bar_seconds(grid), session_beats(grid, plan)
    if bar_s is None or beats is None or not grid.beats_per_bar:
        return _straight(((0.0, 0.0), (60.0 / RULER_BPM, TICKS_PER_QUARTER)), 60.0 / RULER_BPM)
    meter, line = meter_of(grid), beats.first_line
    bar_ticks = _ticks(meter)
    short = short_bar(beats.at_s[line] / bar_s * bar_ticks / TICKS_PER_QUARTER) if line else None
    line_tick = _ticks(short) if short else 0.0
    step = bar_ticks / grid.beats_per_bar
    ticks = [line_tick + (k - line) * step for k in range(len(beats.at_s))]
    meters = ((0, short), (round(line_tick), meter)) if short else ((0, meter),)
    shown = meters if grid.meter else ()
    if not grid.constant_tempo and len(ticks) > beats.bar_one + 2:
        first = max(line, 1)
        seconds, ticks = [0.0, *beats.at_s[first:]], [0.0, *ticks[first:]]
        return Ruler(tuple(seconds), tuple(ticks), tuple(_tempo_events(seconds, ticks)), shown)
    one, one_tick, last_s = beats.at_s[beats.bar_one], ticks[beats.bar_one], beats.at_s[-1] + bar_s
    end = (one + bar_s, one_tick + bar_ticks)
    if abs(one - one_tick / bar_ticks * bar_s) <= SAME_S:
        return _straight(((one, one_tick), end), last_s, shown)
    return _straight(((0.0, 0.0), (beats.at_s[line], line_tick), end), last_s, shown)


def tempi_of_map(grid: Grid, plan: Placement) -> tuple[tuple[float, float], ...]:
    """(s of the copy, beats a minute) from each tempo event of a beat that is followed."""
    ruler, beat = make_ruler(grid, plan), quarters_in_beat(grid)
    seconds = dict(zip(map(round, ruler.ticks), ruler.seconds, strict=True))
    return tuple((seconds[tick], quarters / beat) for tick, quarters in ruler.tempo_points)


def _straight(
    anchors: Sequence[tuple[float, float]], last_s: float, meters: tuple[tuple[int, Meter], ...] = ()
) -> Ruler:
    """One tempo from each (s, tick) to the next; the last one holds, up to `last_s` at least."""
    seconds, ticks = zip(*anchors, strict=True)
    *early, held_s = [(b - a) / (to - at) * TICKS_PER_QUARTER for (a, at), (b, to) in pairwise(anchors)]
    *starts, start = (0, *map(round, ticks[1:-1]))
    events = [(tick, _microseconds(quarter_s)) for tick, quarter_s in zip(starts, early, strict=True)]
    events += ((start + tick, tempo) for tick, tempo in _held(held_s, round(last_s / held_s)))
    return Ruler(seconds, ticks, tuple(events), meters)


def _held(quarter_s: float, quarters: int) -> Iterable[tuple[int, int]]:
    """(tick, microseconds) of one tempo where its rounding stays within the tolerance to the end; else of its
    two neighbours in turn, each as long as it does.
    """
    at, off, tempo = 0, 0.0, _microseconds(quarter_s)  # off (s): playback against the tempo itself
    while at == 0 or at < quarters:
        yield at * TICKS_PER_QUARTER, tempo
        gain = tempo * 1e-6 - quarter_s
        if abs(off + gain * (quarters - at)) <= TEMPO_TOLERANCE_S:
            return
        length = max(int((math.copysign(TEMPO_TOLERANCE_S, gain) - off) / gain), 1)
        at, off = at + length, off + gain * length
        tempo += -1 if gain > 0 else 1


def short_bar(quarters: float) -> Meter:
    """Time signature of a bar of that length: in the longest notes that come near it, else in 64ths."""
    for lower in SHORT_BAR_NOTES:
        upper = max(round(quarters * lower / 4), 1)
        if abs(upper * 4 / lower / quarters - 1) <= SHORT_BAR_SHARE:
            break
    return upper, lower


def _ticks(meter: Meter) -> float:
    return meter[0] * 4 / meter[1] * TICKS_PER_QUARTER


def _tempo_events(seconds: Sequence[float], ticks: Sequence[float]) -> Iterable[tuple[int, int]]:
    """As few tempo events as keep every beat within the tolerance; rounding does not add up. One that holds
    is not said again.
    """
    at, clock, tempo = 0, seconds[0], 0  # clock: where playback of the events so far stands
    while at < len(seconds) - 1:
        reach = at + 1
        for to in range(at + 2, min(at + LONGEST_RUN_BEATS, len(seconds))):
            slope = (seconds[to] - clock) / (ticks[to] - ticks[at])
            off = (abs(clock + slope * (ticks[i] - ticks[at]) - seconds[i]) for i in range(at + 1, to))
            if max(off) > TEMPO_TOLERANCE_S:
                break
            reach = to
        quarters = (ticks[reach] - ticks[at]) / TICKS_PER_QUARTER
        pace = tempo * 1e-6 / TICKS_PER_QUARTER
        off = (abs(clock + pace * (ticks[i] - ticks[at]) - seconds[i]) for i in range(at + 1, reach + 1))
        if max(off) > SAME_S:
            tempo = _microseconds((seconds[reach] - clock) / quarters)
            yield (0 if at == 0 else round(ticks[at])), tempo
        clock += tempo * 1e-6 * quarters
        at = reach


def _microseconds(quarter_s: float) -> int:
    return min(max(round(quarter_s * 1e6), 1), 0xFFFFFF)
