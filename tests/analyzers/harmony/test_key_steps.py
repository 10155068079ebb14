"""What listens to each beat: a correlation around the circle of pitch classes, and plain means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import correlate1d

from analyzers.harmony.key_steps import StepNet, pooling, step_means, step_net
from analyzers.harmony.network_inputs import Segment, with_neighbours
from analyzers.signal.spectrum import NOTES


def segment(levels: np.ndarray) -> Segment:
    n = len(levels)
    return Segment(levels, np.zeros((n, 12, 9), np.float32), np.ones(n, np.float32), None)


def step_inputs(levels: np.ndarray) -> np.ndarray:
    x = segment(levels)
    return with_neighbours(x.registers, x.clear)


def test_features_are_correlations_around_the_circle() -> None:
    """Reference: scipy.ndimage.correlate1d with wrap-around, a channel at a time."""
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, (300, 2, 12)).astype(np.float32)
    w = rng.normal(0, 1, (2, 12)).astype(np.float32)
    net = StepNet(
        w.reshape(24, 1), np.zeros(1, np.float32), np.ones((1, 1), np.float32), np.zeros(1, np.float32)
    )
    each = [correlate1d(x[:, c], w[c], axis=1, mode="wrap", origin=-6) for c in range(2)]
    assert net.features(x)[:, 0] == pytest.approx(np.maximum(sum(each), 0), abs=1e-4)


@pytest.mark.parametrize("steps", [1, 5, 11])
def test_transposed_music_gives_transposed_features(steps: int) -> None:
    x = np.random.default_rng(4).random((9, 16, 12)).astype(np.float32)
    there = step_net().features(np.roll(x, steps, axis=2))
    assert there == pytest.approx(np.roll(step_net().features(x), steps, axis=2), abs=1e-3)


def test_a_step_is_seen_with_the_one_before_and_the_one_after() -> None:
    levels = np.zeros((3, NOTES), np.float32)
    levels[[0, 1, 2], [24, 28, 31]] = 1.0  # middle C, E, G above it, one after the other
    found = step_inputs(levels)
    assert found.shape == (3, 16, 12)
    for place, notes in ((slice(0, 4), (0, 4, 7)), (slice(8, 12), (0, 0, 4)), (slice(12, 16), (4, 7, 7))):
        assert tuple(found[:, place].sum(axis=1).argmax(axis=1)) == notes


def test_loudness_does_not_matter_but_near_silence_does() -> None:
    levels = np.random.default_rng(5).random((6, NOTES)).astype(np.float32)
    levels[3] *= 0.5  # still music
    levels[4] *= 1e-3  # a tail
    size = np.linalg.norm(step_inputs(levels)[:, :4].reshape(6, -1), axis=1)
    assert size[[0, 1, 2, 3, 5]] == pytest.approx(np.ones(5), abs=1e-4)
    assert size[4] < 0.05
    assert step_inputs(7 * levels) == pytest.approx(step_inputs(levels), abs=1e-4)


def test_means_of_all_the_opening_the_end_and_the_bar_lines() -> None:
    weight = np.array([2, 0, 0, 0, 1, 0, 0, 0, 1, 0], np.float32)
    rows = pooling(10, weight)
    x = np.arange(10)
    assert rows @ x == pytest.approx([x.mean(), x[:4].mean(), x[-4:].mean(), x[[0, 4, 8]].mean()])
    assert not pooling(10, None)[3].any()
    assert pooling(2, None)[1] == pytest.approx([0.5, 0.5])


def test_silence_has_features_all_the_same() -> None:
    found = step_means(segment(np.zeros((4, NOTES), np.float32)))
    assert found.shape[0] == 1
    assert np.isfinite(found).all()
    assert found == pytest.approx(np.repeat(found[:, :, :1], 12, axis=2), abs=1e-5)  # no root stands out
