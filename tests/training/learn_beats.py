"""Train the networks that hear the beats in their order (`analyzers.rhythm.beat_by_beat`).

    python -m tests.training.learn_beats EXAMPLES OUT.npz [--seconds 380] [--shipped]

Needs torch, on an accelerator if there is one. EXAMPLES is made by `examples.py --only grid`. Besides the
networks of all origins that are shipped, one is trained without each origin (unless only the `--shipped` are
asked for): what it thinks of it tells how far such opinions go on music that nothing was learned from. Prints
for every origin, of held-out seeds, how many tempi and bar lines are right by `meter.probabilities` alone,
and with the second opinion where bar lines are in doubt: of the shipped networks, and of the one that had not
seen the origin.

Shipped (`join_beats.py`): the first and third of 27,208 examples (`examples.py --only grid --quick`, seeds
from 17 000 000 at 22050 Hz and from 18 000 000 at 44100 Hz, two soundfonts; 40,335 steps of 16 songs), and
the third of an earlier run on 9870. That run ended at a loss of .07 on what it had seen and knows less of the
rest; but of drums that fade in over a held tone it hears the beat, where the newer ones are half a beat off
together. Bar lines right of 840 examples by a soundfont that none had heard (seeds from 27 000 000): by
`meter.probabilities` alone 752, with the three of the earlier run 776, with those of the newer 784, with the
shipped 785. Without an origin, earlier run: 730 of 904, where the first had 756, and both, having seen it,
794.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import torch

from analyzers.rhythm import meter
from analyzers.rhythm.beat_by_beat import REACH
from analyzers.rhythm.folding import MOST_BEATS
from analyzers.rhythm.in_beats import HEARD, HEARD_PARTS, SLOTS
from analyzers.rhythm.meter_evidence import BANDS, METERS, SIZE, Hypotheses
from tests.training.confidence_fit import in_steps, right
from tests.training.learn import (
    DEVICE,
    DROPPED,
    GRID_SHARES,
    Counted,
    descend,
    families,
    fresh,
    held_out,
    load,
    run_grid,
    vary,
)

NETS, HIDDEN, UNITS, FOUND = 3, 96, 48, 12
WINDOW = 96  # beats that are heard of each song at a time
UNKNOWN, UNHEARD = 0.15, 0.1  # share of the songs without all other evidence, without their beats
PARTS = ("evidence", "beside", "score", "beat", *(f"order{k}" for k in range(len(REACH))), "found")
Tensor = torch.Tensor


class Songs(Counted):
    """All examples on the accelerator, with what is heard of their beats."""

    def __init__(self, items: list[dict[str, Any]]) -> None:
        super().__init__(items)
        n, cuts = len(items), max(len(i["counts"]) for i in items)
        self.first = torch.zeros((n, cuts), dtype=torch.int64, device=DEVICE)
        self.count = torch.zeros((n, cuts), dtype=torch.int64, device=DEVICE)
        self.rows = torch.zeros((sum(len(i["rows"]) for i in items), HEARD), dtype=torch.uint8, device=DEVICE)
        at = 0
        for k, i in enumerate(items):
            ends = at + np.cumsum(i["counts"])
            self.first[k, : len(ends)] = torch.from_numpy(ends - i["counts"])
            self.count[k, : len(ends)] = torch.from_numpy(i["counts"])
            self.rows[at : at + len(i["rows"])] = torch.from_numpy(i["rows"])
            at += len(i["rows"])

    def window(self, pick: Tensor, beats: int, where: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Rows of so many beats of each cut [shape=(nets, songs, cuts, beats, HEARD)], which are there, the
        number of the first [shape=(nets, songs, cuts)]."""
        start = (where * (self.count[pick] - beats).clamp(min=0)).long()
        at = torch.arange(beats, device=DEVICE)
        there = at < (self.count[pick] - start)[..., None]
        at = (self.first[pick] + start)[..., None] + at
        return self.rows[at.clamp(max=len(self.rows) - 1)].bfloat16() / 255, there, start


def spoiled(x: Tensor) -> Tensor:
    """The same beats through other ears [shape=(nets, songs, cuts, beats, HEARD)]."""

    def each(*shape: int) -> Tensor:
        return torch.rand((*x.shape[:2], *shape), device=DEVICE)

    gain = (0.55 + 0.9 * each(1, 1, BANDS, 1)) * (0.75 + 0.5 * each(1, 1, 1, 1))
    gain = (gain * (each(1, 1, BANDS, 1) > 0.03)).expand(-1, -1, -1, -1, -1, SLOTS).flatten(-2)
    parts = HEARD_PARTS[1:]
    rest = torch.cat([(each(1, 1, 1) > DROPPED).expand(-1, -1, -1, -1, n) for n in parts], dim=-1)
    return x * torch.cat([gain, rest], dim=-1).to(x.dtype) + 0.03 * torch.randn_like(x)


def on_bars(p: list[Tensor], x: Tensor, there: Tensor, start: Tensor) -> Tensor:
    """`beat_by_beat.in_order` and `on_bars` of every cut [shape=(nets, songs, hypotheses, found)].

    p : weights and biases of the layers from "beat" on
    """
    nets, songs, cuts, beats, _ = x.shape
    p = [q.to(x.dtype) for q in p]
    inside = there.reshape(nets, songs * cuts, beats, 1).to(x.dtype)

    def layer(k: int, h: Tensor) -> Tensor:
        out = torch.bmm(h.reshape(nets, -1, h.shape[-1]), p[2 * k]) + p[2 * k + 1]
        return out.reshape(nets, songs * cuts, beats, -1)

    h = torch.relu(layer(0, x)) * inside
    for k, reach in enumerate(REACH, 1):
        around = torch.nn.functional.pad(h, (0, 0, reach, reach))
        near = torch.cat([around[:, :, :beats], h, around[:, :, 2 * reach :]], dim=3)
        h = (h + torch.relu(layer(k, near))) * inside
    found = layer(len(REACH) + 1, h).reshape(nets, songs, cuts, beats, -1).float()
    place = start[..., None] + torch.arange(beats, device=DEVICE)
    out = []
    for meter_beats in METERS:
        on = (place[..., None] % meter_beats == torch.arange(meter_beats, device=DEVICE)) & there[..., None]
        means = torch.einsum("escbf,escbm->escmf", found, on.float())
        means = means / on.sum(dim=3).clamp(min=1)[..., None]
        for first in range(meter_beats):
            bar = torch.roll(means, -first, dims=3)
            bar = torch.nn.functional.pad(bar, (0, 0, 0, MOST_BEATS - meter_beats)).transpose(3, 4).flatten(3)
            out.append(torch.cat([bar, means.mean(dim=3)], dim=3))
    return torch.stack(out, dim=3).flatten(2, 3)


def train(
    items: list[dict[str, Any]], seconds: float, steps: int, shipped: bool
) -> tuple[dict[str, np.ndarray], Any]:
    """Arrays of the networks, and what a network thinks of an example: (its probabilities [shape=(nets,
    hypotheses)], the origin that each has not seen)."""
    origins = np.array([str(i["origin"]) for i in items])
    held = np.array([held_out(int(i["seed"])) for i in items])
    usable = np.array([bool(i["notated"].any()) for i in items]) & ~held
    views, chance = families(origins, GRID_SHARES, usable, NETS)
    # One without each origin
    kept = [k for k, view in enumerate(views) if not view or (k % NETS == 0 and not shipped)]
    views, chance = [views[k] for k in kept], chance[kept]
    songs, nets = Songs(items), len(kept)
    mean, scale = songs.usual(items)
    known = SIZE + (MOST_BEATS + 1) * FOUND
    weigh = fresh(nets, (known, HIDDEN)) + fresh(nets, (3 * HIDDEN, 32, 1))
    order = [w for _ in REACH for w in fresh(nets, (3 * UNITS, UNITS))]
    listen = fresh(nets, (HEARD, UNITS)) + order + fresh(nets, (UNITS, FOUND))

    def told(pick: Tensor, beats: int, learning: bool) -> Tensor:
        where = torch.rand((*pick.shape, 1), device=DEVICE) * learning
        rows, there, start = songs.window(pick, beats, where)
        x = songs.evidence[pick].float()
        x = ((vary(x) if learning else x) - mean) / scale
        heard = on_bars(listen, spoiled(rows) if learning else rows, there, start)
        if learning:
            draw = torch.rand((*pick.shape, 1, 1), device=DEVICE)
            x, heard = x * (draw > UNKNOWN), heard * (draw < 1 - UNHEARD)
        return torch.cat([x, heard], dim=3)

    def loss_of(_: float) -> Tensor:
        pick = torch.multinomial(chance, 16, replacement=True)
        heard = songs.asked(pick)
        return songs.loss(pick, heard, run_grid(weigh, told(pick, WINDOW, True), heard))

    descend(weigh + listen, loss_of, steps, seconds, 1.5e-3, 0.1)
    arrays = {"mean": mean.cpu().numpy(), "scale": scale.cpu().numpy()}
    for n in range(NETS):
        for part, w, b in zip(PARTS, (weigh + listen)[0::2], (weigh + listen)[1::2], strict=True):
            matrix = w[n].detach().cpu().numpy()
            arrays[f"net{n}_{part}"], arrays[f"net{n}_{part}_step"] = in_steps(matrix)
            arrays[f"net{n}_{part}_bias"] = b[n, 0].detach().cpu().numpy()

    @torch.no_grad()
    def thought(k: int) -> tuple[np.ndarray, list[str]]:
        pick = torch.full((nets, 1), k, device=DEVICE)
        score = run_grid(weigh, told(pick, int(songs.count[k].max()), False), songs.there[pick])
        return torch.softmax(score[:, 0, : len(items[k]["ratio"])], dim=1).cpu().numpy().astype(float), views

    return arrays, thought


def main() -> int:
    torch.set_float32_matmul_precision("high")
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("examples", type=Path)
    p.add_argument("out", type=Path)
    p.add_argument("--steps", type=int, default=10**9)
    p.add_argument("--seconds", type=float, default=380, help="of the training, at most")
    p.add_argument("--shipped", action="store_true", help="train none without an origin")
    a = p.parse_args()
    items = [i for i in load(a.examples) if "evidence" in i and len(i["ratio"])]
    arrays, thought = train(items, a.seconds, a.steps, a.shipped)
    np.savez_compressed(a.out, **arrays)
    marks: dict[str, list[np.ndarray]] = defaultdict(list)
    for k, i in enumerate(items):
        if not held_out(int(i["seed"])) or not i["notated"].any():
            continue
        origin = str(i["origin"])
        h = Hypotheses(*(i[f] for f in ("ratio", "offset", "beats", "tempo", "phase", "evidence")))
        first = meter.probabilities(h.evidence.astype(np.float32))
        clear = first[meter.agrees(h, meter.best_of(h, first))].sum() >= meter.CLEAR
        each, views = thought(k)
        seconds = [first, each[:NETS].mean(axis=0), each[views.index(origin) if origin in views else 0]]
        means = [first if clear else meter.pooled(first, second) for second in seconds]
        marks[origin].append(np.array([right(h, meter.best_of(h, p), i) for p in means]))
    for origin, rows in sorted(marks.items()):
        alone, shipped, unseen = np.sum(rows, axis=0)
        print(f"{origin:<11}{len(rows):>5} tempo, bar line: {alone} shipped {shipped} not seen {unseen}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
