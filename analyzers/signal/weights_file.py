"""Learned weights as they are shipped: numpy arrays in `analyzers/weights/`, made by tests/training/."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np

from analyzers.signal.samples import Floats


@cache
def stored_weights(name: str) -> dict[str, Floats]:
    """The arrays of ``weights/<name>.npz`` as float32, read once. Not to be written to."""
    with (files("analyzers") / "weights" / f"{name}.npz").open("rb") as stream, np.load(stream) as stored:
        return {k: stored[k].astype(np.float32) for k in stored.files}
