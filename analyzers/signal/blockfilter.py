"""A recursive filter as matrix products: for long signals, without the weight of a filter design library.

Sections of second order in series are a linear system with a state. Over a block of `BLOCK` samples its
output is the block times a triangular matrix of the impulse response, plus what the state on entry leaves
behind. The states on entry follow from each other by one matrix and are found by doubling, in log2(blocks)
steps (Hillis and Steele, "Data parallel algorithms", CACM 29(12), 1986). States are kept in double precision,
in a basis in which poles next to 1 (a high-pass of 38 Hz) stay apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Float32Array = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]
Section = tuple[Float64Array, Float64Array]

BLOCK = 64  # samples: larger ones multiply more, smaller ones have more states
FORGOTTEN = 1e-16  # a state's influence below this part of it is left out


class BlockFilter:
    """Filters channels as they come, each call going on where the last one ended.

    Parameters
    ----------
    sections : (numerator, denominator), each [shape=(3,)], in series; a denominator begins with 1 and its
        poles lie inside the unit circle
    channels : signals that are filtered side by side
    """

    def __init__(self, sections: Sequence[Section], channels: int) -> None:
        step, into, out, through = _in_series(sections)
        order = len(step)
        ring = np.empty((order, BLOCK))  # output that each state variable leaves behind
        reach = np.empty((BLOCK, order))  # state at the end of a block that each sample leaves behind
        power = np.eye(order)
        for k in range(BLOCK):
            ring[:, k] = out @ power
            reach[BLOCK - 1 - k] = power @ into
            power = step @ power
        response = np.concatenate(([through], into @ ring[:, :-1]))
        self._within = np.zeros((BLOCK, BLOCK), np.float32)
        for k in range(BLOCK):
            self._within[k, k:] = response[: BLOCK - k]
        self._ring, self._reach = ring.astype(np.float32), reach
        self._powers = [power.T]
        while np.abs(self._powers[-1]).max() > FORGOTTEN:
            self._powers.append(self._powers[-1] @ self._powers[-1])
        self._state = np.zeros((channels, 1, order))

    def __call__(self, x: Float32Array) -> Float32Array:
        """The next piece, filtered [shape=(channels, n)]; n is a multiple of `BLOCK` in all but the last."""
        channels, n = x.shape
        short = -n % BLOCK
        if short:
            x = np.pad(x, ((0, 0), (0, short)))
        blocks = x.reshape(channels, -1, BLOCK)
        states = np.concatenate((self._state, blocks.astype(np.float64) @ self._reach), axis=1)
        for doubling, power in enumerate(self._powers):
            apart = 1 << doubling
            if apart >= states.shape[1]:
                break
            states[:, apart:] += states[:, :-apart] @ power
        self._state = states[:, -1:]
        out: Float32Array = blocks @ self._within
        out += states[:, :-1].astype(np.float32) @ self._ring
        return out.reshape(channels, -1)[:, :n]


def _in_series(sections: Sequence[Section]) -> tuple[Float64Array, Float64Array, Float64Array, float]:
    """State matrix, input, output and direct part of sections in series: z' = Az + Bx, y = Cz + Dx."""
    step, into, out, through = np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0
    for numerator, denominator in sections:
        a, b, c, d = _section(numerator, denominator)
        step = np.block([[step, np.zeros((len(step), 2))], [np.outer(b, out), a]])
        into = np.concatenate((into, b * through))
        out, through = np.concatenate((d * out, c)), d * through
    return step, into, out, through


def _section(b: Float64Array, a: Float64Array) -> tuple[Float64Array, Float64Array, Float64Array, float]:
    """The same of one section: direct form II transposed, whose two states at poles next to 1 are nearly
    opposite; the second is replaced by their sum, scaled by the poles' distance from 1."""
    near = float(np.sqrt(abs(a.sum())))
    basis = np.array([[1.0, 0.0], [1.0 / near, 1.0 / near]])
    back = np.array([[1.0, 0.0], [-1.0, near]])
    step = np.array([[-a[1], 1.0], [-a[2], 0.0]])
    return basis @ step @ back, basis @ (b[1:] - a[1:] * b[0]), back[0], float(b[0])
