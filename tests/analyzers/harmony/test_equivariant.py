"""The networks know no key: what goes in transposed comes out transposed."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest

from analyzers.harmony.equivariant import load_net
from analyzers.harmony.network_inputs import register_chroma

KEY_WEIGHTS = tuple(f"harmony_key{n}.npz" for n in ("", "_recorded", "_heard", "_steps"))


@pytest.mark.parametrize(
    ("name", "channels", "scalars"),
    [("chord", 16, 2), ("key", 32, 5), ("key_recorded", 43, 5), ("key_heard", 235, 5)],
)
@pytest.mark.parametrize("steps", [1, 5, 11])
def test_transposed_chroma_gives_transposed_answers(
    name: str, channels: int, scalars: int, steps: int
) -> None:
    rng = np.random.default_rng(7)
    chroma = rng.random((3, channels, 12)).astype(np.float32)
    aside = rng.random((3, scalars)).astype(np.float32)
    each, none = load_net(name).log_probabilities(chroma, aside)
    moved, still = load_net(name).log_probabilities(np.roll(chroma, steps, axis=2), aside)
    assert moved == pytest.approx(np.roll(each, steps, axis=1), abs=1e-3)
    assert still == pytest.approx(none, abs=1e-3)


def test_probabilities_sum_to_one() -> None:
    rng = np.random.default_rng(8)
    each, none = load_net("chord").log_probabilities(
        rng.random((2000, 16, 12)).astype(np.float32), rng.random((2000, 2)).astype(np.float32)
    )
    total = np.exp(each).sum(axis=(1, 2)) + np.exp(none)
    assert total == pytest.approx(np.ones(2000), abs=1e-4)


def test_registers_fold_octaves_and_leave_nothing_out() -> None:
    levels = np.zeros((1, 84), np.float32)
    levels[0, 60 - 24] = 1.0  # middle C
    chroma = register_chroma(levels)
    assert chroma.shape == (1, 4, 12)
    assert set(np.flatnonzero(chroma[0].sum(axis=0))) == {0}


def test_all_weights_together_are_small() -> None:
    folder = files("analyzers") / "weights"
    sizes = [len(f.read_bytes()) for f in folder.iterdir() if f.name.startswith("harmony")]
    assert len(sizes) == 7
    assert sum(sizes) < 2_000_000
    key = [len((folder / n).read_bytes()) for n in KEY_WEIGHTS]
    assert sum(key) < 1_000_000
