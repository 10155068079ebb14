"""Train the networks of grid and key on the examples of every origin, and on all but one of them.

    python -m tests.training.learn EXAMPLES OUT [--only grid|key] [--seconds 240]

Needs torch, on an accelerator if there is one. EXAMPLES is made by `examples.py`. All networks of a family
are trained side by side: `NETS` (of keys `KEY_NETS`) on every origin, which are shipped, and as many for
each origin on all the others. What those think of the origin that they have not seen is what the confidences
are fitted on (`confidence_fit.py`), with the shipped ones' thoughts on the held-out seeds.

The shipped grid is ten networks, which know more together than those of one run. Two, one each of runs on
7592 and 8413 examples (`examples.py --only grid`, seeds from 9690000 and 9720000, a third of them whole, the
others stretches of these), hear each hypothesis beside all others of the song, as written here (28000 and
30000 steps); they were chosen among several. Eight are older and weighed each hypothesis alone: two each of
two runs on 8331 whole examples (seeds from 7500000 and 7600000; 28000 steps, and 24000 without `MUTED`), and
four of an earlier run on 6731, whose evidence did not tell of turns (`analyzers.rhythm.turns`); zeros stand
for what they lack. A key network has a listener of its own for each beat (`analyzers.harmony.key_steps`),
trained with it; `key_fit.py` says what was trained on what.

Writes OUT/grid_nets.npz, OUT/key_nets.npz and OUT/grid_thoughts.npz, OUT/key_thoughts.npz.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import torch
from scipy.ndimage import uniform_filter1d

from analyzers.harmony.network_inputs import AROUND_NOTES, QUIET_IN_SEGMENT, register_chroma
from analyzers.rhythm.in_beats import SLOTS
from analyzers.rhythm.meter_evidence import BANDS, PARTS, RATIOS, SIZE
from analyzers.signal.spectrum import NOTES
from tests.training.examples import STEPS

DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
NETS = 4
BAG = 0.85  # share of the examples that a network sees at all
GRID_SHARES = {"generator": 0.36, "soundfont": 0.09, "sequence": 0.25, "band": 0.18, "score": 0.12}
KEY_SHARES = {"generator": 0.2, "soundfont": 0.08, "tones": 0.17, "sequence": 0.1, "band": 0.36,
              "score": 0.07, "none": 0.02}  # fmt: skip
HIDDEN = 96
UNASKED = 0.08  # share of the wrong beat rates that a song is not asked about, as settings may forbid some
OTHER = 0.25  # worth of an accepted reading that is not the written one
DROPPED, MUTED = 0.12, 0.1  # share of the groups of evidence, and of single numbers, that a song lacks
HITS = BANDS * 4 * SLOTS
GROUPS = np.cumsum(PARTS)[:-3]  # but tempo, meter and rank
MODES, KEY_NETS, KEY_HIDDEN, UNITS, FEATURES = 6, 3, (80, 40), 24, 16
KNOTS, TONE, UNPOOLED, ALONE = 8, 0.35, 0.1, 0.12
KEY_GROUPS = ((0, 4), (4, 13), (13, 17), (17, 21), (21, 32), (32, 36), (36, 40), (40, 43))  # `record_inputs`
Tensor = torch.Tensor


def held_out(seed: Any) -> Any:
    """One seed in ten, whatever the turn of the origins."""
    return seed * 7919 % 1009 % 10 == 0


def load(folder: Path) -> list[dict[str, Any]]:
    def read(path: Path) -> dict[str, Any]:
        with np.load(path) as z:
            return {k: z[k] for k in z.files}

    with ThreadPoolExecutor(16) as pool:
        return list(pool.map(read, sorted(folder.glob("*.npz"))))


def families(
    origins: np.ndarray, shares: dict[str, float], usable: np.ndarray, nets: int = NETS
) -> tuple[list[str], Tensor]:
    """What each network leaves out ("" for nothing), and its chance of each example [shape=(nets, n)]."""
    rng = np.random.default_rng(3)
    left_out = [o for o in ("", *shares) if o != "none" for _ in range(nets)]
    table = []
    for out in left_out:
        weight = np.zeros(len(origins))
        for origin, share in shares.items():
            mine = (origins == origin) & usable & (rng.random(len(origins)) < BAG)
            if origin != out and mine.any():
                weight[mine] = share / mine.sum()
        table.append(weight / weight.sum())
    return left_out, torch.tensor(np.array(table), dtype=torch.float32, device=DEVICE)


def fresh(nets: int, sizes: tuple[int, ...]) -> list[Tensor]:
    """Weights and biases of each layer, the networks side by side."""
    out = []
    generator = torch.Generator(device=DEVICE).manual_seed(1)
    for a, b in pairwise(sizes):
        w = torch.randn((nets, a, b), generator=generator, device=DEVICE) * (2 / a) ** 0.5
        out += [w.requires_grad_(), torch.zeros((nets, 1, b), device=DEVICE).requires_grad_()]
    return out


def descend(
    params: list[Tensor], loss_of: Any, steps: int, seconds: float, rate: float, decay: float
) -> None:
    """AdamW on a cosine; the loss of all networks is summed, so that each goes its own way."""
    optimiser = torch.optim.AdamW(
        [{"params": params[0::2], "weight_decay": decay}, {"params": params[1::2], "weight_decay": 0.0}],
        lr=rate,
    )
    begin, done, share = time.time(), 0, 0.0
    while share < 1.0:
        share = max(done / steps, (time.time() - begin) / seconds)
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1.0, (done + 1) / 200) * 0.5 * (1 + np.cos(np.pi * min(share, 1.0)))
        optimiser.zero_grad(set_to_none=True)
        loss = loss_of(share)
        loss.sum().backward()
        optimiser.step()
        done += 1
        if done % 1000 == 0:
            print(f"  {done}: {loss.mean().item():.4f} ({time.time() - begin:.0f} s)", flush=True)
    print(f"  {done} steps in {time.time() - begin:.0f} s", flush=True)


# ---- grid ----------------------------------------------------------------------------------------------


def vary(x: Tensor) -> Tensor:
    """The same song through other ears [shape=(nets, songs, hypotheses, SIZE)]."""
    e, b = x.shape[:2]
    hits = x[..., :HITS].reshape(*x.shape[:3], BANDS, 4 * SLOTS)
    gain = torch.empty((e, b, 1, BANDS, 1), device=DEVICE).uniform_(0.55, 1.45)
    gain *= torch.empty((e, b, 1, 1, 1), device=DEVICE).uniform_(0.75, 1.25)
    mute = torch.rand((e, b, 1, BANDS, 1), device=DEVICE) < 0.025
    x = torch.cat([(hits * gain * ~mute).reshape(*x.shape[:3], HITS), x[..., HITS:]], dim=3)
    for a, z in pairwise(GROUPS):
        x[..., a:z] *= torch.rand((e, b, 1, 1), device=DEVICE) > DROPPED
    x[..., :HITS] += 0.06 * torch.randn_like(x[..., :HITS])
    return x * (torch.rand_like(x) > MUTED)


def run_grid(params: list[Tensor], x: Tensor, there: Tensor) -> Tensor:
    """Scores [shape=(nets, songs, hypotheses)] of evidence [shape=(nets, songs, hypotheses, SIZE)], of those
    that are `there`; each is heard beside the mean and the most of all (`meter.probabilities`)."""
    nets, songs, most = there.shape
    h = torch.relu(torch.bmm(x.reshape(nets, songs * most, -1), params[0]) + params[1])
    h = h.reshape(nets, songs, most, -1) * there[..., None]
    mean = h.sum(dim=2) / there.sum(dim=2).clamp(min=1)[..., None]
    own, beside = params[2].split((h.shape[3], 2 * h.shape[3]), dim=1)
    rest = torch.bmm(torch.cat([mean, h.amax(dim=2)], dim=2), beside)
    h = torch.bmm(h.reshape(nets, songs * most, -1), own).reshape(nets, songs, most, -1)
    h = torch.relu(h + rest[:, :, None] + params[3][:, :, None])
    return (torch.bmm(h.reshape(nets, songs * most, -1), params[4]) + params[5]).reshape(nets, songs, most)


class Counted:
    """The ways to count each example, on the accelerator [shape=(examples, ways, ..)]."""

    def __init__(self, items: list[dict[str, Any]]) -> None:
        n, most = len(items), max(len(i["ratio"]) for i in items)
        self.evidence = torch.zeros((n, most, SIZE), dtype=torch.float16, device=DEVICE)
        self.worth = torch.zeros((n, most), device=DEVICE)
        self.there = torch.zeros((n, most), dtype=torch.bool, device=DEVICE)
        self.tempo = torch.zeros((n, most), dtype=torch.int64, device=DEVICE)
        self.true = torch.zeros((n, len(RATIOS)), dtype=torch.bool, device=DEVICE)
        for k, i in enumerate(items):
            rows = len(i["ratio"])
            self.evidence[k, :rows] = torch.from_numpy(i["evidence"]).to(DEVICE)
            self.worth[k, :rows] = torch.from_numpy(i["notated"] + OTHER * i["other"]).float().to(DEVICE)
            self.there[k, :rows] = True
            self.tempo[k, :rows] = torch.from_numpy(i["tempo"]).to(DEVICE)
            self.true[k, np.unique(i["tempo"][i["notated"] | i["other"]])] = True

    def usual(self, items: list[dict[str, Any]]) -> tuple[Tensor, Tensor]:
        """Mean and spread of each number of the evidence [shape=(SIZE,)], of a part of it."""
        some = list(enumerate(items))[::3]
        sample = torch.cat([self.evidence[k, : len(i["ratio"]) : 9].float() for k, i in some])
        return sample.mean(dim=0), sample.std(dim=0) + 0.05

    def asked(self, pick: Tensor) -> Tensor:
        """The ways that examples are asked about, now and then without some wrong beat rates."""
        asked = self.true[pick] | (torch.rand((*pick.shape, len(RATIOS)), device=DEVICE) > UNASKED)
        return self.there[pick] & asked.gather(2, self.tempo[pick])

    def loss(self, pick: Tensor, heard: Tensor, score: Tensor) -> Tensor:
        """Of each network: how little it gives to the right ways [shape=(nets,)]."""
        score = score.masked_fill(~heard, -1e4)
        good = torch.logsumexp(score + torch.log(self.worth[pick].clamp(min=1e-12)), dim=2)
        return (torch.logsumexp(score, dim=2) - good).mean(dim=1)


def train_grid(items: list[dict[str, Any]], out: Path, steps: int, seconds: float) -> None:
    items = [i for i in items if "evidence" in i and len(i["ratio"])]
    songs = Counted(items)
    origins = np.array([str(i["origin"]) for i in items])
    held = np.array([held_out(int(i["seed"])) for i in items])
    usable = np.array([bool(i["notated"].any()) for i in items]) & ~held
    left_out, chance = families(origins, GRID_SHARES, usable)
    print(
        f"grid: {len(items)} examples, {usable.sum()} to learn from",
        {o: int((origins == o).sum()) for o in set(origins)},
    )
    mean, scale = songs.usual(items)
    params = fresh(len(left_out), (SIZE, HIDDEN)) + fresh(len(left_out), (3 * HIDDEN, 32, 1))

    def loss_of(_: float) -> Tensor:
        pick = torch.multinomial(chance, 16, replacement=True)
        batch = (vary(songs.evidence[pick].float()) - mean) / scale
        heard = songs.asked(pick)
        return songs.loss(pick, heard, run_grid(params, batch, heard))

    descend(params, loss_of, steps, seconds, 1.5e-3, 0.2)
    arrays: dict[str, np.ndarray] = {}
    shipped = [k for k, o in enumerate(left_out) if not o]
    for k in shipped:
        arrays |= {
            f"net{k}_{m}": p[k].detach().cpu().numpy().squeeze().astype(np.float16)
            for m, p in enumerate(params)
        }
        arrays[f"net{k}_4"] = arrays[f"net{k}_4"].reshape(-1, 1)
        arrays[f"net{k}_5"] = arrays[f"net{k}_5"].reshape(1)
        arrays |= {f"net{k}_mean": mean.cpu().numpy(), f"net{k}_scale": scale.cpu().numpy()}
    np.savez_compressed(out / "grid_nets.npz", **arrays)
    _grid_thoughts(items, songs.evidence, songs.there, (mean, scale), params, left_out, out)


@torch.no_grad()
def _grid_thoughts(
    items: list[dict[str, Any]], x: Tensor, there: Tensor, norm: tuple[Tensor, Tensor],
    params: list[Tensor], left_out: list[str], out: Path,
) -> None:  # fmt: skip
    """Mean probability of each hypothesis by the networks that have not seen its origin, or its seed."""
    kept: dict[str, list[Any]] = {}
    for k, i in enumerate(items):
        rows, origin, held = len(i["ratio"]), str(i["origin"]), held_out(int(i["seed"]))
        if i["part"]:
            continue
        every = there[k, :rows].expand(len(left_out), 1, rows)
        batch = ((x[k, :rows].float() - norm[0]) / norm[1]).expand(*every.shape, SIZE)
        p = torch.softmax(run_grid(params, batch, every)[:, 0], dim=1)
        for view in ("", origin):
            mine = [m for m, o in enumerate(left_out) if o == view]
            if (
                not mine
                or (view == "" and not held and origin != "none")
                or (view and int(i["seed"]) * 7919 % 101 % 3)
            ):
                continue
            mean = p[mine].mean(dim=0).clamp(min=1e-8)
            row = {
                "log_p": mean.log().cpu().numpy().astype(np.float16), "view": view, "origin": origin,
                "length": rows, "style": str(i["style"]), "seed": int(i["seed"]),
                "pulse_evidence": i["pulse_evidence"],
                "played": bool(i["played"]), "none": bool(i["none"]), "constant": bool(i["constant"]),
                "played_evidence": i.get("played_evidence", np.zeros(5)),
                **{f: i[f] for f in ("ratio", "offset", "beats", "tempo", "notated", "other", "tempo_ok")},
            }  # fmt: skip
            row["offset"] = row["offset"].astype(np.float32)
            for name, value in row.items():
                kept.setdefault(name, []).append(value)
    flat = ("log_p", "ratio", "offset", "beats", "tempo", "notated", "other", "tempo_ok")
    small = {"ratio": np.float16, "beats": np.int8, "tempo": np.int8}
    np.savez_compressed(
        out / "grid_thoughts.npz",
        **{
            k: (np.concatenate(v).astype(small.get(k, v[0].dtype)) if k in flat else np.array(v))
            for k, v in kept.items()
        },
    )


# ---- key -----------------------------------------------------------------------------------------------


class Steps:
    """Levels of the steps of every window, folded as `network_inputs.Segment` and `with_neighbours` do."""

    def __init__(self, items: list[dict[str, Any]]) -> None:
        longest = max(len(i["key_levels"]) for i in items)
        levels = np.zeros((len(items), longest, NOTES), np.uint8)
        for k, i in enumerate(items):
            levels[k, : len(i["key_levels"])] = i["key_levels"]
        self.levels = torch.from_numpy(levels).to(DEVICE)
        windows = [len(i["key_target"]) for i in items]
        self.item = torch.from_numpy(np.repeat(np.arange(len(items)), windows)).to(DEVICE)
        self.step = torch.from_numpy(np.concatenate([i["key_steps"] for i in items])).long().to(DEVICE)
        self.pooling = torch.from_numpy(np.concatenate([i["key_pooling"] for i in items])).to(DEVICE)
        eye = np.eye(NOTES, dtype=np.float32)
        self.clear = torch.from_numpy(eye - uniform_filter1d(eye, AROUND_NOTES, axis=1)).to(DEVICE)
        self.fold = torch.from_numpy(register_chroma(eye).reshape(NOTES, 48)).to(DEVICE)
        self.knots = torch.from_numpy(_tents(NOTES, KNOTS)).to(DEVICE)

    def seen(self, pick: Tensor, vary: bool) -> tuple[Tensor, Tensor]:
        """Inputs [shape=(nets, windows * STEPS, 192)] and pooling [shape=(nets, windows, STEPS, 4)]."""
        nets, count = pick.shape
        x = self.levels[self.item[pick][..., None], self.step[pick]].float() / 255
        share = self.pooling[pick].float()
        inside = share[..., 0] > 0
        if vary:
            tone = TONE * torch.randn((nets, count, KNOTS), device=DEVICE) @ self.knots
            x = x * torch.exp(tone)[..., None, :]
            note = torch.arange(NOTES, device=DEVICE)
            lowest = torch.where(torch.rand((nets, count, 1, 1), device=DEVICE) < 0.2, 26.0, -1.0)
            lowest = lowest * torch.rand_like(lowest)  # an old record has no bass
            highest = NOTES - torch.rand_like(lowest) * torch.where(torch.rand_like(lowest) < 0.3, 36.0, 0.0)
            x = x * torch.sigmoid((note - lowest) / 1.5) * torch.sigmoid((highest - note) / 1.5)
            x = x + 0.02 * torch.rand_like(x) * torch.rand((nets, count, 1, 1), device=DEVICE)
            share = share * (torch.rand((nets, count, 1, 4), device=DEVICE) > UNPOOLED)
        x = x * inside[..., None]
        here, clear = (self._even(z) for z in (x @ self.fold, torch.relu(x @ self.clear) @ self.fold))
        last = inside.sum(dim=2, keepdim=True) - 1
        at = torch.arange(STEPS, device=DEVICE)
        before, after = ((at + d).clamp(min=0).expand_as(inside) for d in (-1, 1))
        beside = [here.gather(2, torch.minimum(i, last)[..., None].expand_as(here)) for i in (before, after)]
        rows = torch.cat([here, clear, *beside], dim=3).reshape(nets, count * STEPS, -1)
        return rows, share / share.sum(dim=2, keepdim=True).clamp(min=1e-6)

    @staticmethod
    def _even(x: Tensor) -> Tensor:
        size = x.norm(dim=3, keepdim=True)
        return x / torch.maximum(size, QUIET_IN_SEGMENT * size.amax(dim=2, keepdim=True)).clamp(min=1e-9)


def _tents(size: int, knots: int) -> np.ndarray:
    """Straight lines between knots [shape=(knots, size)]."""
    at = np.linspace(0, knots - 1, size)
    return np.maximum(0, 1 - np.abs(at[None] - np.arange(knots)[:, None])).astype(np.float32)


def run_steps(params: list[Tensor], rows: Tensor, share: Tensor) -> Tensor:
    """Means of what is found in each step [shape=(nets, windows, 4 * FEATURES, 12)]."""
    nets, count = share.shape[:2]
    behind = (torch.arange(12)[:, None] - torch.arange(12)[None]) % 12
    turned = params[0].reshape(nets, -1, 12, UNITS)[:, :, behind.to(DEVICE)].reshape(nets, -1, 12 * UNITS)
    h = torch.relu(torch.bmm(rows, turned).reshape(nets, -1, UNITS) + params[1])
    h = torch.relu(torch.bmm(h, params[2]) + params[3]).reshape(nets, count, STEPS, 12 * FEATURES)
    means = torch.einsum("ebtp,ebtq->ebpq", share, h).reshape(nets, count, 4, 12, FEATURES)
    return means.transpose(3, 4).reshape(nets, count, 4 * FEATURES, 12)


def run_key(params: list[Tensor], x: Tensor, drop: float) -> Tensor:
    """Logits [shape=(nets, songs, 73)] of inputs [shape=(nets, songs, 12, inputs)]."""
    e, b = x.shape[:2]
    h = torch.relu(torch.bmm(x.reshape(e, b * 12, -1), params[0]) + params[1])
    if drop:
        keep = torch.rand((e, b, 1, h.shape[2]), device=DEVICE) >= drop
        h = (h.reshape(e, b, 12, -1) * keep / (1 - drop)).reshape(e, b * 12, -1)
    h = torch.relu(torch.bmm(h, params[2]) + params[3])
    each = (torch.bmm(h, params[4]) + params[5]).reshape(e, b, -1)
    none = torch.bmm(h.reshape(e, b, 12, -1).mean(dim=2), params[6]) + params[7]
    return torch.cat([each, none], dim=2)


def train_key(items: list[dict[str, Any]], out: Path, steps: int, seconds: float) -> None:
    items = [i for i in items if "key_chroma" in i]
    listened = Steps(items)
    chroma = torch.from_numpy(np.concatenate([i["key_chroma"] for i in items])).to(DEVICE)
    scalars = torch.from_numpy(np.concatenate([i["key_scalars"] for i in items])).float().to(DEVICE)
    target = torch.from_numpy(np.concatenate([i["key_target"] for i in items])).long().to(DEVICE)
    windows = np.array([len(i["key_target"]) for i in items])
    origins = np.repeat([str(i["origin"]) for i in items], windows)
    seeds = np.repeat([int(i["seed"]) for i in items], windows)
    left_out, chance = families(origins, KEY_SHARES, ~held_out(seeds), KEY_NETS)
    print(f"key: {len(items)} examples", {o: int((origins == o).sum()) for o in set(origins)})
    turn = ((torch.arange(12)[:, None] + torch.arange(12)[None]) % 12).to(DEVICE)
    nets, known = len(left_out), chroma.shape[1]
    inputs = (known + 4 * FEATURES) * 12 + scalars.shape[1]

    def seen(pick: Tensor, noise: float) -> Tensor:
        x = chroma[pick].float()
        if noise:
            x = x * torch.exp(noise * torch.randn_like(x)) + 0.1 * noise * torch.rand_like(x)
            for a, b in KEY_GROUPS:
                x[..., a:b, :] *= torch.rand((*pick.shape, 1, 1), device=DEVICE) > 0.07
            x = x * torch.exp(0.25 * torch.randn((*x.shape[:-1], 1), device=DEVICE))
        found = run_steps(listener, *listened.seen(pick, noise > 0))
        if noise:  # now and then only one of the two
            draw = torch.rand((*pick.shape, 1, 1), device=DEVICE)
            x, found = x * (draw > ALONE), found * (draw < 1 - ALONE)
        x = torch.cat([x, found], dim=2)
        x = x[..., turn].transpose(-3, -2).reshape(*pick.shape, 12, -1)
        return torch.cat([x, scalars[pick][..., None, :].expand(*pick.shape, 12, -1)], dim=-1)

    listener = fresh(nets, (192, UNITS, FEATURES))
    params = fresh(nets, (inputs, *KEY_HIDDEN, MODES)) + fresh(nets, (KEY_HIDDEN[-1], 1))
    params[4].data *= 0.1
    params[6].data *= 0.0

    def loss_of(_: float) -> Tensor:
        pick = torch.multinomial(chance, 96, replacement=True)
        logits = run_key(params, seen(pick, 0.1), 0.4)
        return (
            torch.nn.functional.cross_entropy(
                logits.reshape(-1, logits.shape[2]),
                target[pick].reshape(-1),
                reduction="none",
                label_smoothing=0.02,
            )
            .reshape(nets, -1)
            .mean(dim=1)
        )

    descend(listener + params, loss_of, steps, seconds, 2e-3, 0.05)
    shipped = [k for k, o in enumerate(left_out) if not o]
    names = ("w1", "b1", "w2", "b2", "w3", "b3", "w0", "b0")
    arrays = {
        f"{n}_{k}": p[k].detach().cpu().numpy()
        for k in shipped
        for n, p in zip((*(f"step_{m}" for m in names[:4]), *names), listener + params, strict=True)
    }
    np.savez_compressed(out / "key_nets.npz", **{k: v.astype(np.float16) for k, v in arrays.items()})
    kept: dict[str, list[Any]] = {}
    with torch.no_grad():
        for a in range(0, len(target), 256):
            pick = torch.arange(a, min(a + 256, len(target)), device=DEVICE)
            logits = run_key(params, seen(pick.expand(nets, -1), 0.0), 0.0)
            for m in range(len(pick)):
                origin, held = origins[a + m], held_out(seeds[a + m])
                for view in ("", origin):
                    mine = [q for q, o in enumerate(left_out) if o == view]
                    if not mine or (not view and not held):
                        continue
                    logp = torch.log_softmax(logits[mine, m].mean(dim=0), dim=0)
                    row = {"logits": logp.cpu().numpy().astype(np.float16), "view": view, "origin": origin,
                           "seed": seeds[a + m], "target": int(target[a + m]),
                           "scalars": scalars[a + m].cpu().numpy()}  # fmt: skip
                    for name, value in row.items():
                        kept.setdefault(name, []).append(value)
    np.savez_compressed(out / "key_thoughts.npz", **{k: np.array(v) for k, v in kept.items()})


def main() -> int:
    torch.set_float32_matmul_precision("high")
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("examples", type=Path)
    p.add_argument("out", type=Path)
    p.add_argument("--only", choices=("grid", "key"))
    p.add_argument("--steps", type=int, default=28000)
    p.add_argument("--seconds", type=float, default=1e9, help="of each family's training, at most")
    a = p.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    items = load(a.examples)
    if a.only != "key":
        train_grid(items, a.out, a.steps, a.seconds)
    if a.only != "grid":
        train_key(items, a.out, a.steps, a.seconds)
    return 0


if __name__ == "__main__":
    sys.exit(main())
