"""Networks of several runs of `learn_beats.py` as one file of weights.

    python -m tests.training.join_beats OUT.npz FILE.npz:0,2 FILE.npz:2

Of each file the networks of these numbers. The evidence is put on the scale of the first file: what another
network subtracts and divides by goes into its first layer.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from tests.training.confidence_fit import in_steps, opened, parts_of

Arrays = dict[str, np.ndarray]


def rescaled(net: Arrays, mean: np.ndarray, scale: np.ndarray, to: Arrays) -> Arrays:
    """A network for evidence of that mean and scale [shape=(SIZE,)], for evidence of those of `to`."""
    first = net["evidence"].astype(np.float64) * net["evidence_step"]
    own = first[: len(mean)].copy()
    first[: len(mean)] = own * (to["scale"] / scale)[:, None]
    bias = net["evidence_bias"] + ((to["mean"] - mean) / scale) @ own
    whole, step = in_steps(first)
    layer = {"evidence": whole, "evidence_step": step, "evidence_bias": bias}
    return net | {name: value.astype(net[name].dtype) for name, value in layer.items()}


def joined(files: list[tuple[Arrays, list[int]]]) -> Arrays:
    """The chosen networks of each file, numbered on."""
    out = {name: files[0][0][name] for name in ("mean", "scale")}
    count = 0
    for arrays, chosen in files:
        for number in chosen:
            net = parts_of(arrays, number)
            if arrays is not files[0][0]:
                net = rescaled(net, arrays["mean"], arrays["scale"], out)
            out |= {f"net{count}_{part}": value for part, value in net.items()}
            count += 1
    return out


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("nets", nargs="+", help="FILE:0,2 for these networks of it")
    a = p.parse_args()
    np.savez_compressed(a.out, **joined([opened(name, "evidence") for name in a.nets]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
