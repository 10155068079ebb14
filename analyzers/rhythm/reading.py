"""One way to count the music, how sure it is, and what it may be instead."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analyzers.rhythm.shares import beside


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to count the music.

    ratio : beat period in pulses; offset : pulse number of a bar's first beat; beats : beats in a bar
    beat_probability : that there is a beat at all; tempo_probability, bar_probability : that beat rate
        and bar line are right, all three calibrated; meter_probability : given the beat rate
    other_meters : (beats in a bar, probability given the beat rate), likeliest first
    tempi : (ratio, raw probability) of every beat rate, likeliest first
    other_lines : (beats after this one, probability) of other bar lines, likeliest first
    surest : so likely any bar lines are at most, whatever is heard later
    """

    ratio: float
    offset: float
    beats: int
    beat_probability: float
    tempo_probability: float
    meter_probability: float
    bar_probability: float
    tempi: tuple[tuple[float, float], ...]
    other_lines: tuple[tuple[float, float], ...] = ()
    other_meters: tuple[tuple[int, float], ...] = ()
    surest: float = 1.0

    def doubted(self, most: float, late: float) -> Reading:
        """The same, so sure of its bar lines at most; what that leaves is for lines so many beats later."""
        sure, late = min(self.bar_probability, most), self.place(late)
        others = dict(self.other_lines)
        others[late] = others.get(late, 0.0) + max(1.0 - sure - sum(others.values()), 0.0)
        lines = tuple(sorted(others.items(), key=lambda line: -line[1]))
        return replace(self, bar_probability=sure, other_lines=lines)

    def turned(self, late: float, sure: float) -> Reading:
        """The same with its bar lines so many beats later, half a beat off, and so sure of them at most."""
        half = sum(p for place, p in self.other_lines if place % 1.0 == 0.5)
        sure = min(sure, self.bar_probability + half, self.surest)
        whole = [(place, p) for place, p in self.other_lines if place % 1.0 != 0.5]
        lines = beside(sure, [(self.place(-round(2 * late) / 2), 1.0 - sure), *whole])
        return replace(
            self,
            offset=(self.offset + late * self.ratio) % (self.ratio * self.beats),
            bar_probability=sure,
            other_lines=tuple(sorted(lines, key=lambda line: -line[1])),
        )

    def in_two(self, share: float) -> Reading:
        """The same, with bars of four beats that are so likely two bars of 6/8."""
        meters = {self.beats: self.meter_probability, **dict(self.other_meters)}
        if self.beats != 4 or share <= meters.get(2, 0.0):
            return self
        left = (1.0 - share) / (1.0 - meters.get(2, 0.0))
        meters = {n: p * left for n, p in meters.items()} | {2: share}
        found = replace(self, beats=2 if share > 0.5 else 4)
        lines = {found.place(late): p for late, p in reversed(self.other_lines)}
        return replace(
            found,
            offset=self.offset % (self.ratio * found.beats),
            meter_probability=meters.pop(found.beats),
            other_meters=tuple(sorted(meters.items(), key=lambda item: -item[1])),
            other_lines=tuple(sorted(((x, p) for x, p in lines.items() if x), key=lambda line: -line[1])),
        )

    def place(self, late: float) -> float:
        """The same place of the bar, half a bar before the line or after it at most."""
        late %= self.beats
        return late - self.beats if late > self.beats / 2 else late
