from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.bar_restarts import find_bar_restart

RATE, BAR_S, SECONDS = 1000.0, 2.0, 60.0


def drums(change_s: float, late_s: float, other: bool = False) -> np.ndarray:
    """Strokes on one, the and of two, and four; after the change so much later, or other ones."""
    rise = np.zeros(round(SECONDS * RATE))
    for start, end, shift, places in (
        (0.0, change_s, 0.0, (0.0, 0.75, 1.5)),
        (change_s, SECONDS, late_s, (0.25, 0.5, 1.75) if other else (0.0, 0.75, 1.5)),
    ):
        bars = np.arange(-1, SECONDS / BAR_S) * BAR_S + shift
        times = (bars[:, None] + np.array(places)).ravel()
        inside = times[(times >= max(start, 0.0)) & (times < end)]
        rise[np.round(inside * RATE).astype(int)] = 20.0
    return rise


@pytest.mark.parametrize("late_s", [0.5, 1.0, 1.5, 0.125])
@pytest.mark.parametrize("change_s", [16.0, 31.0, 44.0])
def test_bars_that_start_anew_are_found_with_their_shift(change_s: float, late_s: float) -> None:
    found = find_bar_restart(drums(change_s, late_s), RATE, BAR_S)
    assert found is not None
    assert found[0] == pytest.approx(change_s, abs=2.0)
    assert found[1] == pytest.approx(late_s, abs=BAR_S / 256)


def test_bars_that_go_on_have_none() -> None:
    assert find_bar_restart(drums(30.0, 0.0), RATE, BAR_S) is None
    assert find_bar_restart(drums(30.0, BAR_S), RATE, BAR_S) is None
    assert find_bar_restart(np.zeros(round(SECONDS * RATE)), RATE, BAR_S) is None
    assert find_bar_restart(drums(4.0, 0.5)[:1500], RATE, BAR_S) is None
