"""The time map's tempo events: what the file format can hold, and that rounding does not add up.

Standard MIDI File 1.0 (RP-001): tempo is a 24-bit number of whole microseconds a quarter note.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from daemon.export.plan import plan_cut
from daemon.export.ruler import (
    TEMPO_TOLERANCE_S,
    TICKS_PER_QUARTER,
    Ruler,
    _microseconds,
    _tempo_events,
    make_ruler,
)
from tests.daemon.sample_report import sample_analysis, steady_grid


@pytest.mark.parametrize(
    ("quarter_s", "written"),
    [(0.5, 500_000), (0.4000004, 400_000), (1e-9, 1), (16.777215, 0xFFFFFF), (60.0, 0xFFFFFF)],
)  # fmt: skip
def test_a_tempo_fits_into_three_bytes(quarter_s: float, written: int) -> None:
    assert _microseconds(quarter_s) == written


def played(events: list[tuple[int, int]], ticks: list[int]) -> list[float]:
    """When the events bring playback to each tick, in whole microseconds a quarter as written."""
    stops = [*(tick for tick, _ in events), ticks[-1]]
    at = {stops[0]: 0.0}
    for (since, tempo), to in zip(events, stops[1:], strict=True):
        at[to] = at[since] + tempo * 1e-6 * (to - since) / TICKS_PER_QUARTER
    return [np.interp(tick, list(at), list(at.values())) for tick in ticks]


def test_rounding_of_a_thousand_tempi_does_not_add_up() -> None:
    """Beats in turn 0.4 and 0.5 s long, each 0.4 us longer than its tempo: 400 us in all if that added up."""
    steps = np.tile([0.4000004, 0.5000004], 500)
    seconds = np.concatenate([[0.0], np.cumsum(steps)]).tolist()
    ticks = [k * TICKS_PER_QUARTER for k in range(len(seconds))]
    events = list(_tempo_events(seconds, ticks))
    assert len(events) == 1000
    assert np.abs(np.subtract(played(events, ticks), seconds)).max() < 1e-6


def test_a_tempo_that_holds_is_said_once() -> None:
    """Beats at 119.99985 BPM, which the file rounds to 500 001 microseconds: 40 us off in the end."""
    seconds = [k * 0.50000063 for k in range(110)]
    ticks = [k * TICKS_PER_QUARTER for k in range(110)]
    events = list(_tempo_events(seconds, ticks))
    assert events == [(0, 500_001)]
    assert np.abs(np.subtract(played(events, ticks), seconds)).max() < 1e-4


def test_one_tempo_serves_while_every_beat_is_within_the_tolerance() -> None:
    rng = np.random.default_rng(7)
    near = np.arange(200) * 0.5 + rng.uniform(-1, 1, 200) * TEMPO_TOLERANCE_S / 4
    ticks = [k * TICKS_PER_QUARTER for k in range(200)]
    events = list(_tempo_events(near.tolist(), ticks))
    assert len(events) < 10
    assert [tick for tick, _ in events] == sorted({tick for tick, _ in events})
    off = np.subtract(played(events, ticks), near - near[0])
    assert np.abs(off).max() <= TEMPO_TOLERANCE_S + 1e-6
    assert all(later > sooner for sooner, later in pairwise(played(events, ticks)))


def ruler_of(bpm: float, minutes: float, pickup_beats: float = 0.0) -> tuple[Ruler, list[float]]:
    """Ruler and beats in seconds of the copy; with a pickup bar 1 is shortened."""
    grid = steady_grid(bpm, bar_one_s=2.0, duration_s=60 * minutes)
    found = sample_analysis(grid=grid, duration_s=60 * minutes)
    plan = plan_cut(
        found,
        frames=round(60 * minutes * 44100),
        rate=44100,
        first_hit_s=2.0 - pickup_beats * 60 / bpm,
        start="first_sound",
    )
    return make_ruler(grid, plan), [b - plan.zero_s for b in grid.beats_s if b > plan.zero_s + 0.01]


@pytest.mark.parametrize(("pickup_beats", "spans"), [(0.0, 1), (1.5, 1), (1.37, 2)])
@pytest.mark.parametrize("bpm", [140.0, 139.97, 93.4321, 120.0, 71.3])
def test_a_constant_tempo_holds_for_an_hour(bpm: float, pickup_beats: float, spans: int) -> None:
    """Every beat within 1 ms: 140 BPM are 428 571.4 us a quarter, and 0.4 us add up to 3.6 ms."""
    ruler, beats = ruler_of(bpm, 60, pickup_beats)
    ticks = [ruler.tick(beat) for beat in beats]
    assert np.abs(np.subtract(played(list(ruler.tempi), [*ticks]), beats)).max() < 0.001
    assert len(ruler.tempi) <= spans + 3
    assert len(ruler.tempo_points) == spans
    assert ruler.tempo_points[-1][1] == pytest.approx(bpm, rel=1e-9)


def test_a_song_needs_one_tempo_event() -> None:
    for bpm in (140.0, 93.4321, 120.0):
        assert [tick for tick, _ in ruler_of(bpm, 5)[0].tempi] == [0]
    assert len(ruler_of(120.0, 60)[0].tempi) == 1
