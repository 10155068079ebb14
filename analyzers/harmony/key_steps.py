"""What a learned listener makes of each step (a beat) before the key is judged of all of them together.

A small network looks at the registers of a step and its neighbours from each of the twelve roots up; what it
finds there is averaged over the steps, those that open and close the segment, and those that begin a bar.
It learned on what sounds like records, where drums, voices and distortion blur a plain mean.
Weights are made by tests/training/learn.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from analyzers.harmony.network_inputs import OPENING, Segment, with_neighbours
from analyzers.signal.perceptron import hidden
from analyzers.signal.weights_file import stored_weights

Floats = npt.NDArray[np.float32]

_BEHIND = (np.arange(12)[:, None] - np.arange(12)[None]) % 12
_BLOCK_ROWS = 64


@dataclass(frozen=True, slots=True, eq=False)
class StepNet:
    """Two layers, the same for every root."""

    w1: Floats  # (channels * 12, hidden)
    b1: Floats
    w2: Floats  # (hidden, features)
    b2: Floats

    def features(self, chroma: Floats) -> Floats:
        """What each root of each step is taken for [shape=(n, features, 12)].

        Parameters
        ----------
        chroma : [shape=(n, channels, 12)], see `step_means`
        """
        size = self.w1.shape[1]
        turned = self.w1.reshape(-1, 12, size)[:, _BEHIND].reshape(-1, 12 * size)  # the weights, not the rows
        first = turned, np.tile(self.b1, 12)
        flat = chroma.reshape(len(chroma), -1)
        out = np.empty((len(chroma), self.w2.shape[1], 12), np.float32)
        for i in range(0, len(chroma), _BLOCK_ROWS):
            seen = hidden(flat[i : i + _BLOCK_ROWS], first)
            found = hidden(seen.reshape(-1, size), (self.w2, self.b2))
            out[i : i + _BLOCK_ROWS] = found.reshape(-1, 12, len(self.b2)).transpose(0, 2, 1)
        return out


def pooling(n: int, weight: Floats | None) -> Floats:
    """How much each step counts in the four means: all, opening, closing, bar lines [shape=(4, n)].

    Each row has the sum 1; the last is 0 where no bar line is known.
    """
    out = np.zeros((4, n), np.float32)
    out[0] = 1
    out[1, :OPENING] = 1
    out[2, -OPENING:] = 1
    if weight is not None:
        out[3] = weight >= 1
    return np.asarray(out / np.maximum(out.sum(axis=1, keepdims=True), 1), np.float32)


def step_means(x: Segment) -> Floats:
    """More channels for the key's network [shape=(1, 4 * features, 12)]."""
    found = step_net().features(with_neighbours(x.registers, x.clear))
    means = pooling(len(x), x.weight) @ found.reshape(len(x), -1)
    return np.asarray(means.reshape(1, -1, 12), np.float32)


@cache
def step_net() -> StepNet:
    return StepNet(**stored_weights("harmony_key_steps"))
