"""Join the key networks that learned on every origin, and set how sure they are together.

    python -m tests.training.key_fit THOUGHTS.npz NETS.npz WEIGHTS

THOUGHTS and NETS are made by `learn.py`. The temperature has the least cross-entropy of 24 keys and none,
each origin counting alike, what the networks have not seen most. Into the folder WEIGHTS go
`harmony_key_steps.npz` (what listens to each beat) and `harmony_key_heard.npz` (what judges the key), stored
with `MANTISSA` bits after the point: less than the noise that the networks were trained with.

Shipped: three networks of 2673 examples of `examples.py --only key` (seeds from 7910000; what came of 325
s), trained for 13,300 steps. `harmony_key_recorded.npz` is of an earlier run without the listener, on 4474
other examples (from 7300000 and 7310000), from when `progressions.py` had fewer loops and bands no layers;
both are kept, because together they err less (its first two layers were later rounded like these). `SHARES`
and `PROFILE_WEIGHT` in `analyzers/harmony/key.py` were then chosen by the answers on bands (seeds from
9300000 and 9400000) and sequences (from 9301000 and 9401000) of `played.py` by a soundfont that was not
trained on, and on beats of the generator (from 940400); `SLOPE` so that the accuracy gate's calibration
holds, too.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.linalg import block_diag

from analyzers.harmony.equivariant import EquivariantNet
from analyzers.harmony.key_steps import StepNet
from tests.training.equivariant_fit import joined, save
from tests.training.harmony import MODES, PLAIN, SHORT, folded

MINOR = np.array([PLAIN[m] == "minor" for m in MODES])
NAMES = ("w1", "b1", "w2", "b2", "w3", "b3", "w0", "b0")
FLAT = ("b1", "b2", "b3", "w0", "b0")
SEEN_WEIGHT = 0.6
RECORD_CHANNELS, POOLS, SCALARS = 43, 4, 5  # of `record_inputs` and of `key_steps`
MANTISSA = 4
TEMPERATURES = (1.0, 1.5, 2.0, 2.5, 3.0)
Arrays = dict[str, np.ndarray]


def shipped(nets: Arrays) -> tuple[StepNet, EquivariantNet]:
    """All of them as one: listeners side by side, each judged by its own network, the mean of the logits."""
    count = sum(k.startswith("w1_") for k in nets)
    each, listeners = [], []
    for k in range(count):
        p = {n: nets[f"{n}_{k}"].astype(np.float32) for n in NAMES}
        p |= {n: p[n].reshape(-1) for n in FLAT}
        each.append(EquivariantNet(**p, temperature=np.ones(1, np.float32)))
        q = {n: nets[f"step_{n}_{k}"].astype(np.float32) for n in ("w1", "b1", "w2", "b2")}
        listeners.append(StepNet(q["w1"], q["b1"].reshape(-1), q["w2"], q["b2"].reshape(-1)))
    steps = StepNet(
        np.concatenate([s.w1 for s in listeners], axis=1), np.concatenate([s.b1 for s in listeners]),
        block_diag(*[s.w2 for s in listeners]).astype(np.float32), np.concatenate([s.b2 for s in listeners]),
    )  # fmt: skip
    return steps, joined([_listening(net, k, count) for k, net in enumerate(each)])


def _listening(net: EquivariantNet, which: int, count: int) -> EquivariantNet:
    """The network with room among its inputs for what the others' listeners find."""
    own = len(net.w1) - SCALARS
    features = (own // 12 - RECORD_CHANNELS) // POOLS
    record, heard, rest = np.split(net.w1, [RECORD_CHANNELS * 12, own])
    wide = np.zeros((POOLS, count, features * 12, heard.shape[1]), np.float32)
    wide[:, which] = heard.reshape(POOLS, features * 12, -1)
    return replace(net, w1=np.concatenate((record, wide.reshape(-1, heard.shape[1]), rest)))


def coarse(x: np.ndarray) -> np.ndarray:
    """Values rounded to `MANTISSA` binary places after the leading one."""
    part, power = np.frexp(x)
    return np.ldexp(np.rint(part * 2 ** (MANTISSA + 1)) / 2 ** (MANTISSA + 1), power).astype(np.float32)


def weights_of(z: Arrays) -> np.ndarray:
    """Each origin counts alike."""
    w = np.zeros(len(z["origin"]))
    for origin in set(z["origin"]):
        for seen in (True, False):
            mine = (z["origin"] == origin) & ((z["view"] == "") == seen)
            w[mine] = (SEEN_WEIGHT if seen else 1.0) / max(mine.sum(), 1)
    return w / w.sum()


def temperature(z: Arrays) -> float:
    target, w = z["target"], weights_of(z)
    truth = np.where(target == 72, 24, target // 6 * 2 + MINOR[target % 6])

    def cost(t: float) -> float:
        logits = z["logits"].astype(float) / t
        logits -= np.log(np.exp(logits).sum(axis=1, keepdims=True))
        return -float(w @ np.log(folded(logits)[np.arange(len(truth)), truth] + 1e-9))

    return min(TEMPERATURES, key=cost)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("thoughts", type=Path)
    parser.add_argument("nets", type=Path)
    parser.add_argument("weights", type=Path)
    a = parser.parse_args()
    with np.load(a.thoughts) as f, np.load(a.nets) as n:
        z = {k: f[k] for k in f.files}
        steps, net = shipped({k: n[k] for k in n.files})
    t = temperature(z)
    unseen = (z["view"] != "") & (z["target"] < 72)
    share = float(MINOR[z["target"][unseen] % 6].mean())
    shift = np.where(MINOR, np.log(0.5 / share), np.log(0.5 / (1 - share)))  # as `harmony.even_modes`
    print(f"temperature {t}, minor keys {share:.3f}")
    b3 = (net.b3 + t * shift).astype(np.float32)
    net = replace(net, w1=coarse(net.w1), w2=coarse(net.w2), b3=b3, temperature=np.array([t], np.float32))
    save(replace(steps, w1=coarse(steps.w1)), a.weights / "harmony_key_steps.npz", SHORT)
    save(net, a.weights / "harmony_key_heard.npz", SHORT)
    return 0


if __name__ == "__main__":
    sys.exit(main())
