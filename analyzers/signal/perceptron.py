"""Forward pass of a multilayer perceptron with rectified linear units (ReLU)."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[Any]


def hidden(x: Values, *layers: tuple[Values, Values]) -> Values:
    """What the last of the hidden layers puts out [shape=(..., units)]; ``x`` itself without layers.

    Parameters
    ----------
    x : [shape=(..., inputs)]
    layers : weights [shape=(inputs, units)] and bias [shape=(units,)] of each layer, first to last
    """
    for weights, bias in layers:
        x = np.maximum(x @ weights + bias, 0.0)
    return x
