"""Train the networks of `analyzers/signal/voice.py` (torch; on an accelerator some seven minutes each).

    python -m tests.training.voice_fit WEIGHTS.npz --music FILE... --phrases FILE... [--seconds 400]

Music and phrases are made by `voice_music.py` and `voice_phrases.py`. Every step mixes stretches of 20 s
anew, as powers in narrow bands with the interference that a random phase brings: music of one origin, half
of the time one to four phrases of one talker in it at -9 to +9 dB, half of the time lines of one instrument,
which are no voice; then another balance, limiting, a lossy codec's cut, noise. Where a voice is more than
11 dB below the music nothing is asked. Binary cross-entropy, AdamW, cosine schedule, batch normalisation
(Ioffe and Szegedy, ICML 2015), folded into the weights, which are stored in whole steps, one step a unit.

Shipped: seeds 5 and 6, 400 s each side by side on one accelerator (some 5,800 steps of 192), on 373
recordings of game music from 40 packages (free licences; six in which a first training heard a voice were
left out), 240 generated beats (seeds from 40000), 560 played excerpts, pieces without a beat and ambient
beats; 2,797 phrases (recorded talk in Czech, Russian, Spanish, French and Italian, espeak-ng, flite,
festival; seeds 1 to 4), 500 of formant synthesis (seed 21), 900 lines (seed 11).
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from analyzers.signal.voice import BANDS, FOUR, RANGE_DB, band_edges_hz

T, BATCH, RATE_MOST = 1000, 192, 3e-3
SHARES = {"recordings": 4.0, "beats": 3.0}  # of music, by origin; others 0.6
DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
HZ = band_edges_hz()[1:-1]


def tensor(x: np.ndarray) -> Tensor:
    return torch.tensor(x, device=DEVICE, dtype=torch.float32)


# K-weighting (ITU-R BS.1770) of a band's power, by its width: about +4 dB above 1.5 kHz
LOUD = tensor(10 ** (np.where(HZ > 1500, 0.4, 0.0)) * np.gradient(HZ))
LOUD = LOUD / LOUD.sum()


class Bank:
    """What one or several files hold, on the accelerator."""

    def __init__(self, paths: list[Path]) -> None:
        files = [dict(np.load(path)) for path in paths]
        self.bands = torch.tensor(np.concatenate([f["bands"] for f in files]), device=DEVICE)
        self.length = np.concatenate([f["length"] for f in files])
        self.start = np.cumsum(self.length) - self.length
        origin = [str(o) for f in files for o in f["origin"]]
        self.of = {o: np.flatnonzero(np.array(origin) == o) for o in sorted(set(origin))}
        self.origin = origin
        active = [f["active"] for f in files if "active" in f]
        self.active = torch.tensor(np.concatenate(active), device=DEVICE) if active else None

    def take(self, which: np.ndarray, start: np.ndarray, pace: np.ndarray) -> tuple[Tensor, Tensor]:
        """Powers [shape=(n, T, BANDS)] from `start` frames on at another pace, and where it is active."""
        at = torch.arange(T, device=DEVICE) * tensor(pace)[:, None] + tensor(start)[:, None]
        length = torch.tensor(self.length[which], device=DEVICE)[:, None]
        inside = (at >= 0) & (at < length)
        row = torch.minimum(at.clamp(min=0).long(), length - 1)
        row = row + torch.tensor(self.start[which], device=DEVICE)[:, None]
        power = torch.pow(10.0, self.bands[row].float() / 20) * inside[..., None]
        return power, inside if self.active is None else self.active[row] & inside


def moved(power: Tensor, by: np.ndarray) -> Tensor:
    """The bands `by` places higher [shape=(n, T, BANDS)]."""
    at = torch.arange(BANDS, device=DEVICE)[None] - tensor(by)[:, None]
    low = at.floor()
    share = (at - low)[:, None]
    level = torch.log(power + 1e-12)
    below, above = (
        torch.gather(level, 2, (low.long() + k).clamp(0, BANDS - 1)[:, None].expand(-1, power.shape[1], -1))
        for k in (0, 1)
    )
    return torch.exp(below * (1 - share) + above * share)


def added(a: Tensor, b: Tensor) -> Tensor:
    """Powers of two sounds at once: they interfere by chance."""
    return (a + b + 0.7 * torch.sqrt(a * b) * torch.cos(2 * np.pi * torch.rand_like(a))).clamp(min=0)


class Mixer:
    def __init__(self, music: Bank, phrases: Bank, seed: int) -> None:
        self.music, self.phrases, self.rng = music, phrases, np.random.default_rng(seed)
        lines = np.array([o.startswith("line") for o in phrases.origin])
        self.voices, self.lines = np.flatnonzero(~lines), np.flatnonzero(lines)
        share = np.array([SHARES.get(o, 0.6) for o in music.of])
        self.share = share / share.sum()

    def batch(self) -> tuple[Tensor, Tensor, Tensor]:
        """Inputs [shape=(BATCH, 1, BANDS, T)]; is there a voice, and is it asked [both (BATCH, T / 4)]."""
        r = self.rng
        origins = list(self.music.of)
        which = np.array(
            [r.choice(self.music.of[origins[r.choice(len(origins), p=self.share)]]) for _ in range(BATCH)]
        )
        pace = np.exp(r.normal(0, 0.06, BATCH))
        start = np.array(
            [r.uniform(0, max(self.music.length[k] - T * q, 1)) for k, q in zip(which, pace, strict=True)]
        )
        music = moved(self.music.take(which, start, pace)[0], r.normal(0, 0.7, BATCH))
        level = (music @ LOUD).mean(1)
        quiet = tensor(np.where(r.random(BATCH) < 0.2, r.uniform(0, 0.6, BATCH) * T, 0))
        sounds = torch.arange(T, device=DEVICE)[None] >= quiet[:, None]  # a beginning or an end without music
        music = music * torch.where(tensor(r.random(BATCH))[:, None] < 0.3, sounds.flip(1), sounds)[..., None]
        voice, active = self.parts(self.voices, r.random(BATCH) < 0.5, r.uniform(-9, 9, BATCH), level)
        line, _ = self.parts(self.lines, r.random(BATCH) < 0.5, r.uniform(-6, 8, BATCH), level)
        music = added(music, line)
        high = tensor(HZ) > 200
        near = [F.avg_pool1d(x[..., high].sum(-1)[:, None], 25, 1, 12)[:, 0] for x in (voice, music)]
        faint = active & (near[0] < 10**-1.1 * near[1])
        there, unsure = (F.max_pool1d(x.float()[:, None], FOUR, FOUR)[:, 0] for x in (active, faint))
        return self.worn(added(music, voice)), there, 1 - unsure

    def parts(
        self, pool: np.ndarray, wanted: np.ndarray, db: np.ndarray, level: Tensor
    ) -> tuple[Tensor, Tensor]:
        """One to four phrases of one origin each where `wanted`, so loud, and where they are active."""
        r, bank = self.rng, self.phrases
        out = torch.zeros(BATCH, T, BANDS, device=DEVICE)
        active = torch.zeros(BATCH, T, device=DEVICE, dtype=torch.bool)
        count = np.where(wanted, np.where(r.random(BATCH) < 0.4, 1, r.integers(1, 5, BATCH)), 0)
        first = r.choice(pool, BATCH)
        for round_ in range(4):
            some = np.flatnonzero((count > round_) & (level.cpu().numpy() > 1e-8))
            if not len(some):
                continue
            same = r.random(len(some)) < 0.8
            which = np.array(
                [
                    r.choice(bank.of[bank.origin[first[k]]] if s else pool)
                    for k, s in zip(some, same, strict=True)
                ]
            )
            pace, length = np.exp(r.normal(0, 0.08, len(some))), bank.length[which]
            start = -r.uniform(-0.3 * length, T - 0.4 * length) * pace
            power, on = bank.take(which, start, pace)
            power = moved(power, r.normal(0, 1, len(some)))
            own = ((power @ LOUD) * on).sum(1) / on.sum(1).clamp(min=1)
            gain = level[some] * torch.pow(10.0, tensor(db[some] + r.normal(0, 1.5, len(some))) / 10)
            out[some] = added(out[some], power * (gain / own.clamp(min=1e-12))[:, None, None])
            active[some] |= on
        return out, active

    def worn(self, power: Tensor) -> Tensor:
        """As it may arrive: limited, with another balance, cut by a codec, with noise; in tens of dB."""
        r = self.rng
        loud = 10 * torch.log10(power @ LOUD + 1e-12)
        above = (loud - loud.amax(1, keepdim=True) + tensor(r.uniform(3, 15, (BATCH, 1)))).clamp(min=0)
        ratio = tensor(r.uniform(0, 0.7, BATCH) * (r.random(BATCH) < 0.6))[:, None]
        balance = F.interpolate(
            tensor(r.normal(0, 3, (BATCH, 1, 6))), BANDS, mode="linear", align_corners=True
        )
        power = power * torch.pow(10.0, (balance - (ratio * above)[..., None]) / 10)
        cut = tensor(np.where(r.random(BATCH) < 0.15, r.uniform(40, BANDS, BATCH), BANDS))
        power = torch.where(torch.arange(BANDS, device=DEVICE) > cut[:, None, None], power * 1e-6, power)
        noise = power.mean((1, 2), keepdim=True) * torch.pow(10.0, tensor(r.uniform(-9, -3.5, (BATCH, 1, 1))))
        x = 10 * torch.log10(power + noise * torch.rand_like(power) + 1e-12)
        x = torch.round(torch.maximum(x, x.amax((1, 2), keepdim=True) - RANGE_DB))
        return ((x - x.mean(1, keepdim=True)) / 10).transpose(1, 2)[:, None]


class Network(nn.Module):
    """The layers of `analyzers.signal.voice._opinion`."""

    def __init__(self) -> None:
        super().__init__()
        self.layers = nn.ModuleList([
            nn.Conv2d(1, 16, 5, (2, 2), 2), nn.Conv2d(16, 32, 3, (2, 2), 1), nn.Conv2d(32, 32, 3, (2, 1), 1),
            nn.Conv1d(256, 64, 3, 1, 1), nn.Conv1d(64, 64, 7, 1, 3), nn.Conv1d(64, 64, 7, 1, 9, 3),
        ])  # fmt: skip
        self.norms = nn.ModuleList([
            nn.BatchNorm2d(16), nn.BatchNorm2d(32), nn.BatchNorm2d(32),
            nn.BatchNorm1d(64), nn.BatchNorm1d(64), nn.BatchNorm1d(64),
        ])  # fmt: skip
        self.last = nn.Conv1d(64, 1, 1)

    def forward(self, x: Tensor) -> Tensor:
        for k, (layer, norm) in enumerate(zip(self.layers, self.norms, strict=True)):
            if k == 3:
                x = x.flatten(1, 2)
            y = F.relu(norm(layer(F.dropout(x, 0.2, self.training) if k > 3 else x)))
            x = x + y if k > 3 else y
        return self.last(F.dropout(x, 0.2, self.training))[:, 0]

    def stored(self, net: int) -> dict[str, np.ndarray]:
        """Weights in whole steps and biases, the normalisation folded in."""
        out: dict[str, np.ndarray] = {}
        for k, layer in enumerate([*self.layers, self.last], 1):
            weights, bias = layer.weight.detach(), layer.bias.detach()
            if k <= len(self.norms):
                norm = self.norms[k - 1]
                gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
                weights = weights * gain.view(-1, *[1] * (weights.dim() - 1))
                bias = norm.bias + (bias - norm.running_mean) * gain
            w = weights.detach().cpu().numpy()
            step = np.abs(w.reshape(len(w), -1)).max(axis=1) / 127
            out[f"net{net}_weights{k}"] = np.round(w / step.reshape(-1, *[1] * (w.ndim - 1))).astype(np.int8)
            out[f"net{net}_step{k}"] = step
            out[f"net{net}_bias{k}"] = bias.detach().cpu().numpy()
        return out


def trained(mixer: Mixer, seconds: float) -> Network:
    net = Network().to(DEVICE)
    optimiser = torch.optim.AdamW(net.parameters(), RATE_MOST, weight_decay=1e-3)
    begun, step = time.monotonic(), 0
    while (done := (time.monotonic() - begun) / seconds) < 1:
        for group in optimiser.param_groups:
            group["lr"] = RATE_MOST * min(1.0, step / 200 + 0.01) * (0.5 + 0.5 * np.cos(np.pi * done))
        x, there, asked = mixer.batch()
        loss = F.binary_cross_entropy_with_logits(net(x), there, reduction="none")
        mean = (loss * asked).sum() / asked.sum()
        optimiser.zero_grad()
        mean.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        step += 1
        if step % 200 == 0:
            print(f"step {step}: {mean.item():.4f}", flush=True)
    return net.eval()


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("--music", type=Path, nargs="+", required=True)
    parser.add_argument("--phrases", type=Path, nargs="+", required=True)
    parser.add_argument("--seconds", type=float, default=400.0, help="of training, each network")
    parser.add_argument("--seeds", type=int, nargs="+", default=[5, 6])
    a = parser.parse_args()
    music, phrases, arrays = Bank(a.music), Bank(a.phrases), {}
    for net, seed in enumerate(a.seeds):
        torch.manual_seed(seed)
        arrays |= trained(Mixer(music, phrases, seed), a.seconds).stored(net)
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
