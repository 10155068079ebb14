"""Seconds of the copy to ticks of the session: the time map that every file beside the copy shares.

960 ticks a quarter note; tick 0 is the copy's sample 0. Before bar one the first tempo holds.

Source: Standard MIDI File 1.0 (MMA/AMEI RP-001): tempo in whole microseconds a quarter note.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from analyzers.model import Grid
from daemon.export.plan import CutPlan, first_bar_seconds

TICKS_PER_QUARTER = 960
RULER_BPM = 120.0  # without a grid: the default of the standard
LONGEST_RUN_BEATS = 64
TEMPO_TOLERANCE_S = 0.0008  # one tempo event serves as long as no beat is further off


@dataclass(frozen=True, slots=True)
class Ruler:
    """Seconds in the copy to ticks: straight between the anchors, the outer lines carried on."""

    seconds: tuple[float, ...]
    ticks: tuple[float, ...]
    tempi: tuple[tuple[int, int], ...]  # (tick, microseconds a quarter)

    @property
    def tempo_points(self) -> tuple[tuple[int, float], ...]:
        """(tick, quarter notes a minute): exact where the tempo is constant, else those of `tempi`."""
        if len(self.tempi) > 1:
            return tuple((tick, 6e7 / microseconds) for tick, microseconds in self.tempi)
        quarters = (self.ticks[1] - self.ticks[0]) / TICKS_PER_QUARTER
        return ((0, 60 * quarters / (self.seconds[1] - self.seconds[0])),)

    def tick(self, copy_s: float) -> int:
        """Tick of an instant, never below 0."""
        i = min(max(bisect_right(self.seconds, copy_s) - 1, 0), len(self.seconds) - 2)
        share = (copy_s - self.seconds[i]) / (self.seconds[i + 1] - self.seconds[i])
        return max(0, round(self.ticks[i] + share * (self.ticks[i + 1] - self.ticks[i])))


def make_ruler(grid: Grid, plan: CutPlan) -> Ruler:
    """Time map of the copy: constant, following every beat, or a plain 120 BPM ruler without a grid."""
    bar_s = first_bar_seconds(grid)
    if bar_s is None or plan.bar_one_in_copy_s is None or not grid.beats_per_bar:
        return _even_ruler(60.0 / RULER_BPM, 0.0, 0.0)
    beats, quarters = grid.beats_per_bar, _quarters_per_bar(grid)
    one = plan.bar_one_in_copy_s
    bar_one_tick = round(one / bar_s * quarters * TICKS_PER_QUARTER)
    later = [at for at in map(plan.line_in_copy_s, grid.beats_s) if at > one + 1e-3]
    if grid.constant_tempo or len(later) < 2:
        return _even_ruler(bar_s / quarters, one, bar_one_tick)
    step = quarters / beats * TICKS_PER_QUARTER
    seconds = [one, *later]
    ticks = [bar_one_tick + i * step for i in range(len(seconds))]
    if bar_one_tick > 0:
        seconds, ticks = [0.0, *seconds], [0.0, *ticks]
    return Ruler(tuple(seconds), tuple(ticks), tuple(_tempo_events(seconds, ticks)))


def _even_ruler(quarter_s: float, at_s: float, at_tick: float) -> Ruler:
    tempo = (0, _microseconds(quarter_s))
    return Ruler((at_s, at_s + quarter_s), (at_tick, at_tick + TICKS_PER_QUARTER), (tempo,))


def _tempo_events(seconds: Sequence[float], ticks: Sequence[float]) -> Iterable[tuple[int, int]]:
    """As few tempo events as keep every beat within the tolerance; rounding does not add up."""
    at, clock = 0, seconds[0]  # clock: where playback of the events so far stands
    while at < len(seconds) - 1:
        reach = at + 1
        for to in range(at + 2, min(at + LONGEST_RUN_BEATS, len(seconds))):
            slope = (seconds[to] - clock) / (ticks[to] - ticks[at])
            off = (abs(clock + slope * (ticks[i] - ticks[at]) - seconds[i]) for i in range(at + 1, to))
            if max(off) > TEMPO_TOLERANCE_S:
                break
            reach = to
        quarters = (ticks[reach] - ticks[at]) / TICKS_PER_QUARTER
        tempo = _microseconds((seconds[reach] - clock) / quarters)
        yield (0 if at == 0 else round(ticks[at])), tempo
        clock += tempo * 1e-6 * quarters
        at = reach


def _microseconds(quarter_s: float) -> int:
    return min(max(round(quarter_s * 1e6), 1), 0xFFFFFF)


def meter_of(grid: Grid) -> tuple[int, int] | None:
    """(6, 8) for "6/8"; None without a meter."""
    if grid.meter is None:
        return None
    upper, lower = grid.meter.split("/")
    return int(upper), int(lower)


def _quarters_per_bar(grid: Grid) -> float:
    meter = meter_of(grid) or (grid.beats_per_bar or 4, 4)
    return meter[0] * 4 / meter[1]
