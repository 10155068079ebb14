"""The time map's tempo events: what the file format can hold, and that rounding does not add up.

Standard MIDI File 1.0 (RP-001): tempo is a 24-bit number of whole microseconds a quarter note.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from daemon.export.ruler import TEMPO_TOLERANCE_S, TICKS_PER_QUARTER, _microseconds, _tempo_events


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
