"""Layers of convolutional networks, against SciPy's correlations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import correlate2d

from analyzers.signal.convolution import line, plane


@pytest.mark.parametrize("stride", [(1, 1), (2, 2), (2, 1)])
@pytest.mark.parametrize("size", [(3, 3), (5, 3)])
def test_a_layer_over_two_axes_is_a_rectified_sum_of_correlations(stride, size) -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal((2, 12, 9)).astype(np.float32)
    weights = rng.standard_normal((4, 2, *size)).astype(np.float32)
    bias = rng.standard_normal(4).astype(np.float32)
    wanted = [
        sum(correlate2d(x[c], weights[u, c], "same") for c in range(2))[:: stride[0], :: stride[1]] + bias[u]
        for u in range(4)
    ]
    np.testing.assert_allclose(plane(x, weights, bias, stride), np.maximum(wanted, 0), rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("apart", [1, 3])
def test_a_layer_over_one_axis_is_a_sum_of_correlations(apart: int) -> None:
    rng = np.random.default_rng(4)
    x = rng.standard_normal((3, 40)).astype(np.float32)
    weights = rng.standard_normal((2, 3, 5)).astype(np.float32)
    bias = rng.standard_normal(2).astype(np.float32)
    spread = np.zeros((2, 3, 4 * apart + 1))
    spread[:, :, ::apart] = weights
    wanted = [sum(np.correlate(x[c], spread[u, c], "same") for c in range(3)) + bias[u] for u in range(2)]
    np.testing.assert_allclose(line(x, weights, bias, apart), wanted, rtol=1e-4, atol=1e-5)
