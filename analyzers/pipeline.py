"""The order in which the questions are asked. Adding an analyzer: one module, one line here.

What another question need not wait for can go beside it in a second thread: most of the time is spent in
libraries that let other threads run. The answers do not depend on it.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace

from analyzers.harmony.blues import find_blues, settled
from analyzers.harmony.chords import find_chords
from analyzers.harmony.key import find_key
from analyzers.harmony.tuning import find_tuning
from analyzers.health.faults import find_faults
from analyzers.level.loudness import measure_loudness
from analyzers.level.silence import find_lead_in
from analyzers.model import Analysis, Options
from analyzers.rhythm.grid import find_grid
from analyzers.signal.beside import asked
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.structure.sections import find_sections

DOUBTED = 0.5  # that bar one lies where the sum of stems has it, when some of them seem to start too early


def _ignore(_stage: str) -> None:
    return None


def analyse(
    signal: Signal,
    options: Options | None = None,
    on_stage: Callable[[str], None] = _ignore,
    beside: Executor | None = None,
) -> Analysis:
    """Answer every question about one signal.

    Parameters
    ----------
    signal : Signal, at least one frame
    options : Options, what the engineer may steer
    on_stage : called with a short name before each stage (progress displays)
    beside : where a processor is to spare, one thread, which takes things in their order
    """
    features = Features(signal, options)
    if beside is not None:
        features.begin_in(beside)
    on_stage("levels")
    lead_in = find_lead_in(features)
    loudness = asked(beside, measure_loudness, features)
    on_stage("grid")
    grid = find_grid(features, lead_in)
    if features.options.start_doubted:
        grid = replace(grid, bar_one_confidence=min(grid.bar_one_confidence, DOUBTED))
    flags = asked(beside, lambda: find_faults(features, lead_in, loudness()))
    on_stage("harmony")
    tuning = find_tuning(features)
    key = settled(find_key(features, tuning, grid), find_blues(features, tuning, grid))
    chords = find_chords(features, tuning, grid, key)
    sections = find_sections(features, tuning, grid)
    return Analysis(
        duration_s=signal.duration_s,
        rate=signal.rate,
        channels=signal.channels,
        lead_in=lead_in,
        grid=grid,
        tuning=tuning,
        key=key,
        chords=chords,
        sections=sections,
        loudness=loudness(),
        flags=flags(),
    )
