"""Gradient descent for `analyzers.harmony.equivariant.EquivariantNet`: Adam on cross-entropy, plain numpy."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from analyzers.harmony.equivariant import EquivariantNet, Floats, transposed

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Params = dict[str, Floats]
Batches = Callable[[np.random.Generator], Iterator[tuple[Floats, Floats, npt.NDArray[np.int64]]]]


def start_params(inputs: int, hidden: tuple[int, int], classes: int, rng: np.random.Generator) -> Params:
    def draw(a: int, b: int) -> Floats:
        return (rng.normal(0, np.sqrt(2 / a), (a, b))).astype(np.float32)

    h1, h2 = hidden
    return {
        "w1": draw(inputs, h1), "b1": np.zeros(h1, np.float32),
        "w2": draw(h1, h2), "b2": np.zeros(h2, np.float32),
        "w3": draw(h2, classes) * np.float32(0.1), "b3": np.zeros(classes, np.float32),
        "w0": np.zeros(h2, np.float32), "b0": np.zeros(1, np.float32),
    }  # fmt: skip


def as_net(params: Params, temperature: float = 1.0) -> EquivariantNet:
    return EquivariantNet(**params, temperature=np.array([temperature], np.float32))


def joined(nets: list[EquivariantNet]) -> EquivariantNet:
    """One network whose logits are the mean of those of ``nets`` (side by side, nothing shared)."""
    share = np.float32(1 / len(nets))
    return EquivariantNet(
        w1=np.concatenate([n.w1 for n in nets], axis=1), b1=np.concatenate([n.b1 for n in nets]),
        w2=block_diag(*[n.w2 for n in nets]).astype(np.float32), b2=np.concatenate([n.b2 for n in nets]),
        w3=np.concatenate([n.w3 for n in nets]) * share, b3=np.sum([n.b3 for n in nets], axis=0) * share,
        w0=np.concatenate([n.w0 for n in nets]) * share, b0=np.sum([n.b0 for n in nets], axis=0) * share,
        temperature=np.ones(1, np.float32),
    )  # fmt: skip


def save(model: DataclassInstance, path: Path, short: Container[str] = ()) -> None:
    """Write the arrays of a model as float32, those named in ``short`` as float16."""
    path.parent.mkdir(parents=True, exist_ok=True)
    arrays = {f.name: np.asarray(getattr(model, f.name)) for f in fields(model)}
    np.savez_compressed(
        path, **{k: v.astype(np.float16 if k in short else np.float32) for k, v in arrays.items()}
    )
    print(f"{path}: {path.stat().st_size / 1e3:.0f} kB")


def loss_and_gradient(
    p: Params,
    chroma: Floats,
    scalars: Floats,
    target: npt.NDArray[np.int64],
    drop: float,
    rng: np.random.Generator,
) -> tuple[float, Params]:
    """Mean cross-entropy of a batch; ``target`` indexes root * classes + class, the last one is "none"."""
    n = len(chroma)
    x = transposed(chroma, scalars).reshape(n * 12, -1)
    a1 = x @ p["w1"] + p["b1"]
    keep1 = (
        (rng.random((n, 1, len(p["b1"])), dtype=np.float32) >= drop).repeat(12, axis=1).reshape(n * 12, -1)
    )
    h1 = np.maximum(a1, 0) * keep1 / np.float32(1 - drop)
    a2 = h1 @ p["w2"] + p["b2"]
    h2 = np.maximum(a2, 0)
    pooled = h2.reshape(n, 12, -1).mean(axis=1)
    logits = np.concatenate(
        ((h2 @ p["w3"] + p["b3"]).reshape(n, -1), pooled @ p["w0"][:, None] + p["b0"]), axis=1
    )
    logits -= logits.max(axis=1, keepdims=True)
    odds = np.exp(logits)
    odds /= odds.sum(axis=1, keepdims=True)
    loss = -float(np.log(odds[np.arange(n), target] + 1e-12).mean())
    odds[np.arange(n), target] -= 1
    odds /= n
    g3 = odds[:, :-1].reshape(n * 12, -1)
    g0 = odds[:, -1]
    d2 = g3 @ p["w3"].T + np.repeat(np.outer(g0, p["w0"]) / 12, 12, axis=0)
    d2 *= a2 > 0
    d1 = (d2 @ p["w2"].T) * (a1 > 0) * keep1 / np.float32(1 - drop)
    return loss, {
        "w1": x.T @ d1, "b1": d1.sum(0), "w2": h1.T @ d2, "b2": d2.sum(0),
        "w3": h2.T @ g3, "b3": g3.sum(0), "w0": pooled.T @ g0, "b0": np.array([g0.sum()], np.float32),
    }  # fmt: skip


def fit(params: Params, batches: Batches, steps: int, rng: np.random.Generator, *, rate: float = 2e-3,
        decay: float = 1e-3, drop: float = 0.1) -> Params:  # fmt: skip
    """Adam with decoupled weight decay and a cosine schedule; returns the last parameters."""
    m = {k: np.zeros_like(v) for k, v in params.items()}
    v = {k: np.zeros_like(x) for k, x in params.items()}
    running, supply = 0.0, batches(rng)
    for step in range(1, steps + 1):
        chroma, scalars, target = next(supply)
        loss, grads = loss_and_gradient(params, chroma, scalars, target, drop, rng)
        running = loss if step == 1 else 0.99 * running + 0.01 * loss
        pace = rate * 0.5 * (1 + np.cos(np.pi * step / steps)) * min(1.0, step / 100)
        for k, g in grads.items():
            m[k] = 0.9 * m[k] + 0.1 * g
            v[k] = 0.999 * v[k] + 0.001 * g * g
            move = m[k] / (1 - 0.9**step) / (np.sqrt(v[k] / (1 - 0.999**step)) + 1e-8)
            params[k] = (params[k] * (1 - pace * decay * (k[0] == "w")) - pace * move).astype(np.float32)
        if step % 500 == 0:
            print(f"  step {step}: loss {running:.4f}", flush=True)
    return params


def best_temperature(logp: Floats, target: npt.NDArray[np.int64]) -> float:
    """Temperature with the least cross-entropy (Guo et al., ICML 2017)."""

    def cost(t: float) -> float:
        z = logp / t
        z = z - z.max(axis=1, keepdims=True)
        return float((np.log(np.exp(z).sum(axis=1)) - z[np.arange(len(z)), target]).mean())

    return min((float(t) for t in np.geomspace(0.5, 4.0, 60)), key=cost)


def flat_log_probabilities(net: EquivariantNet, chroma: Floats, scalars: Floats) -> Floats:
    each, none = net.log_probabilities(chroma, scalars)
    return np.concatenate((each.reshape(len(each), -1), none[:, None]), axis=1)
