"""Small networks on chroma that are equivariant under transposition.

A pattern of pitch classes means the same wherever its root lies, so one network judges the chroma
transposed to each root, and the twelve answers compete in one softmax together with the answer
"none of them". What is learned in C is thereby known in every key.

Weights are made by tests/training/harmony.py on invented songs; inference is plain numpy.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import log_softmax

from analyzers.signal.perceptron import hidden
from analyzers.signal.weights_file import stored_weights

Floats = npt.NDArray[np.float32]

_TRANSPOSITIONS = (np.arange(12)[:, None] + np.arange(12)[None]) % 12
_BLOCK_ROWS = 1024


@dataclass(frozen=True, slots=True, eq=False)
class EquivariantNet:
    """Two hidden layers and two heads: classes of each root, and one for "none".

    ``temperature`` divides the logits so that the softmax is calibrated on songs not trained on.
    """

    w1: Floats  # (channels * 12 + scalars, hidden1)
    b1: Floats
    w2: Floats  # (hidden1, hidden2)
    b2: Floats
    w3: Floats  # (hidden2, classes)
    b3: Floats
    w0: Floats  # (hidden2,): the "none" head, on the mean over roots
    b0: Floats  # (1,)
    temperature: Floats  # (1,)

    def log_probabilities(self, chroma: Floats, scalars: Floats) -> tuple[Floats, Floats]:
        """Log probability of each class of each root [shape=(n, 12, classes)] and of none [shape=(n,)].

        Parameters
        ----------
        chroma : [shape=(n, channels, 12)], pitch classes from C
        scalars : [shape=(n, scalars)], what does not depend on the root
        """
        parts = [
            self._block(chroma[i : i + _BLOCK_ROWS], scalars[i : i + _BLOCK_ROWS])
            for i in range(0, len(chroma), _BLOCK_ROWS)
        ]
        flat = log_softmax(np.concatenate(parts) / self.temperature, axis=1)
        return flat[:, :-1].reshape(len(flat), 12, -1), flat[:, -1]

    def _block(self, chroma: Floats, scalars: Floats) -> Floats:
        h = hidden(transposed(chroma, scalars), (self.w1, self.b1), (self.w2, self.b2))
        each = (h @ self.w3 + self.b3).reshape(len(chroma), -1)
        none = h.mean(axis=1) @ self.w0[:, None] + self.b0
        return np.concatenate((each, none), axis=1).astype(np.float32)


def transposed(chroma: Floats, scalars: Floats) -> Floats:
    """Network input for each root: chroma from that root up, then the scalars [shape=(n, 12, inputs)]."""
    seen = chroma[:, :, _TRANSPOSITIONS].transpose(0, 2, 1, 3).reshape(len(chroma), 12, -1)
    aside = np.broadcast_to(scalars[:, None, :], (len(chroma), 12, scalars.shape[1]))
    return np.concatenate((seen, aside), axis=2, dtype=np.float32)


@cache
def load_net(name: str) -> EquivariantNet:
    """The shipped network of this name ("chord", "key", "key_recorded", "key_heard")."""
    return EquivariantNet(**stored_weights(f"harmony_{name}"))
