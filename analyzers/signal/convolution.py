"""Forward passes of small convolutional networks with rectified linear units (ReLU)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def plane(x: Floats, weights: Floats, bias: Floats, stride: tuple[int, int]) -> Floats:
    """A layer over two axes, zeros around [shape=(units, rows, columns)].

    Parameters
    ----------
    x : [shape=(channels, rows, columns)]
    weights : [shape=(units, channels, m, n)], m and n odd; bias : [shape=(units,)]
    stride : of the rows, of the columns
    """
    units, _, m, n = weights.shape
    flat = weights.reshape(units, -1)
    padded = np.pad(x, ((0, 0), (m // 2, m // 2), (n // 2, n // 2)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, (m, n), axis=(1, 2))
    rows = windows[:, :: stride[0], :: stride[1]].transpose(1, 0, 3, 4, 2)
    out = np.empty((units, len(rows), rows.shape[-1]), np.float32)
    for number, row in enumerate(rows):  # all rows at once would not stay in the cache
        out[:, number] = flat @ row.reshape(flat.shape[1], -1)
    out += bias[:, None, None]
    return np.maximum(out, 0.0, out=out)


def line(x: Floats, weights: Floats, bias: Floats, apart: int = 1) -> Floats:
    """A layer over one axis, zeros around, without its rectifier [shape=(units, n)].

    Parameters
    ----------
    x : [shape=(channels, n)]
    weights : [shape=(units, channels, k)], k odd, the taps `apart` columns apart; bias : [shape=(units,)]
    """
    taps = weights.shape[2]
    side = apart * (taps // 2)
    padded = np.pad(x, ((0, 0), (side, side)))
    out = np.repeat(bias[:, None], x.shape[1], axis=1)
    for k in range(taps):
        out += weights[:, :, k] @ padded[:, k * apart : k * apart + x.shape[1]]
    return np.asarray(out, np.float32)
