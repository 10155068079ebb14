"""Join the key networks that learned on every origin, and set how sure they are together.

    python -m tests.training.key_fit THOUGHTS.npz NETS.npz WEIGHTS.npz

THOUGHTS and NETS are made by `learn.py`. The temperature has the least cross-entropy of 24 keys and none,
each origin counting alike, what the networks have not seen most. WEIGHTS: `harmony_key_recorded.npz`.
The shipped one: 4474 examples of `examples.py` (seeds from 7300000 and 7310000). `FIRST_SHARE`,
`PROFILE_WEIGHT` and `SLOPE` in `analyzers/harmony/key.py` were then chosen by the answers on 60 bands (seeds
from 8200000) and 21 sequences (from 8201000) of `played.py` by a soundfont that was not trained on, and on 43
beats of the generator.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from analyzers.harmony.equivariant import EquivariantNet
from tests.training.equivariant_fit import joined, save
from tests.training.harmony import MODES, PLAIN, SHORT, folded

MINOR = np.array([PLAIN[m] == "minor" for m in MODES])
NAMES = ("w1", "b1", "w2", "b2", "w3", "b3", "w0", "b0")
FLAT = ("b1", "b2", "b3", "w0", "b0")
SEEN_WEIGHT = 0.6
TEMPERATURES = (1.0, 1.5, 2.0, 2.5, 3.0)
Arrays = dict[str, np.ndarray]


def shipped(nets: Arrays) -> EquivariantNet:
    """All of them as one: the mean of their logits."""
    count = sum(k.startswith("w1_") for k in nets)
    each = []
    for k in range(count):
        p = {n: nets[f"{n}_{k}"].astype(np.float32) for n in NAMES}
        p |= {n: p[n].reshape(-1) for n in FLAT}
        each.append(EquivariantNet(**p, temperature=np.ones(1, np.float32)))
    return joined(each)


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
        z, net = {k: f[k] for k in f.files}, shipped({k: n[k] for k in n.files})
    t = temperature(z)
    unseen = (z["view"] != "") & (z["target"] < 72)
    share = float(MINOR[z["target"][unseen] % 6].mean())
    shift = np.where(MINOR, np.log(0.5 / share), np.log(0.5 / (1 - share)))  # as `harmony.even_modes`
    print(f"temperature {t}, minor keys {share:.3f}")
    b3 = (net.b3 + t * shift).astype(np.float32)
    save(replace(net, b3=b3, temperature=np.array([t], np.float32)), a.weights, SHORT)
    return 0


if __name__ == "__main__":
    sys.exit(main())
