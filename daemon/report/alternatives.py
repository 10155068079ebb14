"""What an estimate may be instead: the answers with their probabilities, the found one first."""

from __future__ import annotations

from collections.abc import Iterable

from analyzers.model import Grid
from analyzers.rhythm.bars import beats_after_one
from daemon.report.parts import Alternative, Value
from daemon.report.rivals import level_of

PROBABLE = 1e-9


def alternatives(answers: Iterable[tuple[Value, float]]) -> tuple[Alternative, ...]:
    """Of answers and their probabilities."""
    return tuple(Alternative(value=value, probability=_probability(p)) for value, p in answers)


def tempi(grid: Grid) -> tuple[Alternative, ...]:
    """The tempo, its rivals, and half and double of it, which are none."""
    found = alternatives((c.bpm, c.probability) for c in grid.tempo_alternatives)
    levels = (level_of(grid.tempo_bpm, c.bpm) for c in grid.tempo_alternatives)
    return tuple(
        a.model_copy(update={"same_grid": level is not None}) for a, level in zip(found, levels, strict=True)
    )


def meters(grid: Grid) -> tuple[Alternative, ...]:
    """The meter and its rivals; nothing where there is none."""
    others = [(c.meter, c.probability) for c in grid.meter_alternatives]
    return alternatives([(grid.meter or "", grid.meter_confidence), *others]) if others else ()


def places(grid: Grid) -> tuple[Alternative, ...]:
    """Bar one and where else it may lie, in seconds as it is; nothing where there is no other place."""
    others = [(beats_after_one(grid, c.late_beats), c.probability) for c in grid.bar_one_alternatives]
    own = grid.bar_one_s or 0.0, grid.bar_one_confidence
    return alternatives([own, *others]) if others else ()


def _probability(value: float) -> float:
    return min(max(value, 0.0), 1.0) if -PROBABLE <= value <= 1 + PROBABLE else value
