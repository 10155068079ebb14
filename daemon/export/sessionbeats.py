"""The beats of the session, counted to the copy's first sample: the one place where that is done.

Before bar one the first bar's tempo holds (`plan`). A copy that starts at the first sound may start inside a
bar: its bar 1 is shorter then, and begins where the copy does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from analyzers.model import Grid
from daemon.export.plan import ON_LINE_S, first_bar_seconds


class Placement(Protocol):
    """What is needed of a cut plan, or of its record in a report."""

    @property
    def source_start(self) -> int: ...
    @property
    def source_end(self) -> int: ...
    @property
    def zero_s(self) -> float: ...
    @property
    def bar_one_in_copy_s(self) -> float | None: ...
    @property
    def bars_before_bar_one(self) -> int: ...
    @property
    def session_shift_s(self) -> float: ...


@dataclass(frozen=True, slots=True)
class SessionBeats:
    """Beats in seconds of the copy [at_s rises from 0]; `lines`: True where one begins a bar of the session.

    `bar_one` : index of the song's bar one
    `first_line` : index of the first line that a whole bar follows; not 0 where bar 1 is shortened
    """

    at_s: tuple[float, ...]
    lines: tuple[bool, ...]
    bar_one: int
    first_line: int


def session_beats(grid: Grid, cut: Placement, end_s: float = float("inf")) -> SessionBeats | None:
    """All beats before `end_s` (seconds of the copy), none where it ends on one; None without a grid."""
    bar_s, one = first_bar_seconds(grid), cut.bar_one_in_copy_s
    if bar_s is None or one is None or not grid.beats_per_bar:
        return None
    beat_s, per_bar = bar_s / grid.beats_per_bar, grid.beats_per_bar
    count = int((one + ON_LINE_S) / beat_s)
    earlier = [(max(one - k * beat_s, 0.0), k % per_bar == 0) for k in range(count, 0, -1)]
    first_line = count % per_bar
    if one - count * beat_s > ON_LINE_S:  # the copy starts between two beats
        earlier.insert(0, (0.0, True))
        first_line += 1
    elif first_line:
        earlier[0] = (earlier[0][0], True)
    line_s = cut.session_shift_s - cut.zero_s
    measured = zip((t + line_s for t in grid.beats_s), grid.downbeats, strict=True)
    later = [(t, down) for t, down in measured if one + 1e-3 < t < end_s - ON_LINE_S]
    beats = [*earlier, (max(one, 0.0), True), *later]
    return SessionBeats(
        at_s=tuple(t for t, _ in beats),
        lines=tuple(down for _, down in beats),
        bar_one=len(earlier),
        first_line=first_line,
    )
