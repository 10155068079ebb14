"""A second opinion on how the music is counted, where the first is in doubt.

`meter_evidence` folds a song on its bars and sees what is there on the mean; what follows what is lost in
that. Here the beats of each rate and phase are heard in their order: four layers of dilated convolution tell
a beat by the fifteen before and after it (Bai, Kolter and Koltun, "An empirical evaluation of generic
convolutional and recurrent networks for sequence modeling", 2018), and what they find is folded on the bars
and weighed with all other evidence, as `meter.probabilities` does. Weights in `weights/grid_beats.npz`, by
`tests/training/learn_beats.py`. It is asked only where it can help: it takes a tenth of the analysis.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

from analyzers.rhythm.folding import folded, layout
from analyzers.rhythm.meter_evidence import METERS, Hypotheses
from analyzers.signal.perceptron import hidden
from analyzers.signal.weights_file import stored_weights

FloatArray = npt.NDArray[np.floating]
Rows = npt.NDArray[np.float32]
Weights = dict[str, npt.NDArray[np.float32]]

REACH = (1, 2, 4, 8)  # beats to the ones on either side that each layer hears


@cache
def networks() -> list[Weights]:
    """The layers of each network; large ones are stored in whole steps, one step a column."""
    w = stored_weights("grid_beats")
    nets = sum(1 for k in w if k.endswith("_evidence"))
    layers = {k: v * w.get(f"{k}_step", np.float32(1.0)) for k, v in w.items()}
    own = [f"net{n}_" for n in range(nets)]
    return [{k.removeprefix(net): v for k, v in layers.items() if k.startswith(net)} for net in own]


def probabilities(h: Hypotheses) -> FloatArray:
    """Probability of each hypothesis [shape=(n,)], the mean of what the networks say. Needs `h.heard`."""
    w = stored_weights("grid_beats")
    known = (h.evidence - w["mean"]) / w["scale"]
    total = np.zeros(len(known))
    for net in networks():
        heard = np.concatenate([on_bars(in_order(net, rows)) for rows in h.heard])
        x = hidden(np.concatenate([known, heard], axis=1), (net["evidence"], net["evidence_bias"]))
        own, mean, most = np.split(net["beside"], 3)
        x = hidden(x, (own, x.mean(axis=0) @ mean + x.max(axis=0) @ most + net["beside_bias"]))
        total += softmax((x @ net["score"] + net["score_bias"])[:, 0].astype(np.float64))
    return total / len(networks())


def in_order(net: Weights, rows: npt.NDArray[np.uint8]) -> Rows:
    """What a network finds in each beat beside those around it [shape=(beats, found)].

    rows : what is heard of them (`InBeats.heard`) [shape=(beats, HEARD)]
    """
    h = hidden(rows / np.float32(255), (net["beat"], net["beat_bias"]))
    for k, reach in enumerate(REACH):
        around = np.zeros((len(h) + 2 * reach, h.shape[1]), np.float32)
        around[reach:-reach] = h
        near = np.concatenate([around[: len(h)], h, around[2 * reach :]], axis=1)
        h = h + hidden(near, (net[f"order{k}"], net[f"order{k}_bias"]))
    out: Rows = h @ net["found"] + net["found_bias"]
    return out


def on_bars(found: Rows) -> Rows:
    """Means at each beat of the bar, then over the bar, for bars of each of `METERS` from each of their beats
    on; beats beyond the bar are zeros [shape=(sum(METERS), found * (MOST_BEATS + 1))]."""
    out = []
    for beats in METERS:
        means = folded(found.T, beats)
        bars = np.concatenate([means, np.zeros((1, beats))]).ravel()[layout(((len(means), 1),), beats)]
        out.append(np.concatenate([bars, np.tile(means.mean(axis=1), (beats, 1))], axis=1))
    return np.concatenate(out).astype(np.float32)
