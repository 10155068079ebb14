"""Drum patterns: drawn from a style's grids, varied from bar to bar, with fills at the ends of sections."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from demo.spec import BeatSpec
from demo.styles import STYLES, Style, grid_bars

Rng = np.random.Generator
PERCUSSION = ("conga", "conga low", "cowbell", "block", "tambourine", "shaker", "rim", "tom", "snap")


class Hit(NamedTuple):
    beat: float
    voice: str
    velocity: float
    layer: str


Bar = list[Hit]  # beats counted from the bar line


def _grid_bar(rng: Rng, chances: list[float], steps: int, voice: str, layer: str) -> Bar:
    return [
        Hit(k / steps, voice, float(1.0 if p > 0.8 else rng.uniform(0.45, 0.95)), layer)
        for k, p in enumerate(chances)
        if rng.random() < p
    ]


def _hat_steps(rng: Rng, kind: str, style: Style) -> list[float]:
    n = style.beats
    if style.steps == 3:
        shuffled = [x for k in range(n) for x in (float(k), k + 2 / 3)]
        every = [float(k) / 3 for k in range(3 * n)]
        return {"beats": [float(k) for k in range(n)], "shuffled": shuffled}.get(kind, every)
    table: dict[str, list[float]] = {
        "quarters": [float(k) for k in range(n)],
        "offbeat": [k + 0.5 for k in range(n)],
        "sixteenths": [k / 4 for k in range(4 * n)],
        "shaker": [k / 4 for k in range(4 * n)],
        "triplets": [k / 3 for k in range(3 * n)] if rng.random() < 0.5 else [k / 2 for k in range(2 * n)],
        "tresillo": [x for x in (0, 0.75, 1.5, 2, 2.75, 3.5) if x < n],
    }
    return table.get(kind, [k / 2 for k in range(2 * n)])


def _hats_bar(rng: Rng, kind: str, style: Style, depth: float, off_accent: bool) -> Bar:
    voice = {"shaker": "shaker", "ride": "ride", "crash": "ride"}.get(kind, "hat")
    if kind == "offbeat":
        voice = "open"
    bar = []
    for x in _hat_steps(rng, kind, style):
        strong = abs(x - round(x)) < 1e-6
        loud = (strong != off_accent) or kind in ("offbeat", "quarters", "beats")
        if rng.random() < 0.04:
            continue
        bar.append(Hit(x, voice, float((1.0 if loud else 1 - depth) * rng.uniform(0.8, 1)), "hats"))
    if kind == "rolls":
        bar += _rolls(rng, style)
    if kind != "offbeat" and rng.random() < 0.35:
        bar.append(Hit(float(rng.integers(style.beats)) + 0.5, "open", 0.8, "hats"))
    return bar


def _rolls(rng: Rng, style: Style) -> Bar:
    """Fast hat bursts: 32nds, triplet 16ths or 64ths over half a beat or a beat."""
    out = []
    for _ in range(int(rng.integers(0, 3))):
        start = float(rng.integers(style.beats * 2)) / 2
        length = float(rng.choice([0.25, 0.5, 0.5, 1.0]))
        per_beat = int(rng.choice([6, 8, 8, 12, 16]))
        n = int(length * per_beat)
        ramp = np.linspace(0.4, 0.9, n)[:: int(rng.choice([-1, 1]))] if n else np.zeros(0)
        out += [Hit(start + k / per_beat, "hat", float(v), "hats") for k, v in enumerate(ramp)]
    return [h for h in out if h.beat < style.beats]


class Groove:
    """The patterns of one piece: an A for verses and a related B for hooks, of one, two or four bars."""

    def __init__(self, spec: BeatSpec) -> None:
        self.rng = np.random.default_rng([spec.seed, 3])
        self.style = STYLES[spec.style]
        rng = self.rng
        self.period = int(rng.choice([1, 2, 2, 4]))
        self.snare = str(rng.choice(["snare", "snare", "clap", "rim", "snap"]))
        self.layered = rng.random() < 0.2
        self.hats = str(rng.choice(self.style.hats))
        self.depth = float(rng.uniform(0, 0.7))
        self.off_accent = bool(rng.random() < 0.15)
        self.perc = [str(v) for v in rng.choice(PERCUSSION, 2, replace=False)]
        self.loose = bool(rng.random() < 0.15)  # the kick may miss its strong places
        self.free_snare = bool(rng.random() < 0.06)  # no backbeat
        base = self._pattern()
        self.patterns = {"A": base, "B": [self._vary(bar, 0.15) for bar in base]}
        if rng.random() < 0.3:
            self.patterns["B"] = self._pattern()

    def _pattern(self) -> list[Bar]:
        rng, s = self.rng, self.style
        kick, snare, perc = grid_bars(s.kick), grid_bars(s.snare), grid_bars(s.perc)
        sparse = rng.uniform(0.4, 1.6)
        period = max(self.period, len(kick), len(snare))
        memory: list[Bar] = []
        for k in range(period):
            if k and k % max(len(kick), len(snare)) == 0 and rng.random() < 0.6:
                memory.append(self._vary(memory[0], 0.1))
                continue
            bar = []
            for grid, voice, layer in (
                (kick, "kick", "kick"),
                (snare, self.snare, "snare"),
                (perc, "", "perc"),
            ):
                if not grid:
                    continue
                chances = [p if p > 0.8 else p * sparse for p in grid[k % len(grid)]]
                if layer == "kick" and self.loose:
                    chances = [min(p, 0.7) for p in chances]
                if layer == "snare" and self.free_snare:
                    chances = [0.2] * len(chances)
                bar += _grid_bar(rng, chances, s.steps, voice or str(rng.choice(self.perc)), layer)
            if self.layered:
                bar += [h._replace(voice="clap") for h in bar if h.layer == "snare" and h.velocity > 0.9]
            memory.append(bar + _hats_bar(rng, self.hats, s, self.depth, self.off_accent))
        return memory

    def _vary(self, bar: Bar, amount: float) -> Bar:
        """Drop, move or ghost a few weak strokes; the strong ones stay."""
        rng = self.rng
        out = [h for h in bar if h.velocity > 0.95 or rng.random() > amount]
        steps = self.style.beats * self.style.steps
        if rng.random() < amount * 3:
            step = int(rng.integers(steps)) / self.style.steps
            out.append(Hit(step, "ghost", float(rng.uniform(0.1, 0.35)), "snare"))
        if rng.random() < amount * 2:
            step = int(rng.integers(1, steps)) / self.style.steps
            out.append(Hit(step, "kick", float(rng.uniform(0.5, 0.9)), "kick"))
        return out

    def fill(self) -> tuple[float, Bar]:
        """Where a fill starts in the bar, and its strokes; may be a plain gap."""
        rng, s = self.rng, self.style
        start = s.beats - float(rng.choice([0.5, 1, 1, 2])) if s.steps == 4 else s.beats - 1.0
        if rng.random() < 0.25:
            return start, []
        per_beat = s.steps * int(rng.choice([1, 1, 2])) if s.steps == 4 else 3
        n = round((s.beats - start) * per_beat)
        voices = [self.snare] if rng.random() < 0.5 else ["snare", "tom", "tom low"]
        return start, [
            Hit(start + k / per_beat, voices[min(k * len(voices) // max(n, 1), len(voices) - 1)],
                float(0.4 + 0.6 * k / max(n, 1)), "snare")
            for k in range(n) if rng.random() < 0.85
        ]  # fmt: skip


def draw_drums(spec: BeatSpec) -> list[Hit]:
    """All drum strokes of the piece, beats from bar one."""
    groove = Groove(spec)
    rng, bar_beats = groove.rng, groove.style.beats
    hits: list[Hit] = []
    at = 0
    for section in spec.sections:
        pattern = groove.patterns["B" if section.name in ("hook", "bridge") else "A"]
        layers = set(section.layers)
        drums = layers & {"kick", "snare", "hats", "perc"}
        if drums and at and rng.random() < 0.5 * section.energy + 0.1:
            hits.append(Hit(at * bar_beats, "crash", float(rng.uniform(0.5, 1)), "crash"))
        for k in range(section.bars):
            bar = pattern[k % len(pattern)]
            if rng.random() < 0.25:
                bar = groove._vary(bar, 0.1)
            if rng.random() < 0.03:  # the one is left out
                bar = [h for h in bar if h.beat > 0]
            last = k == section.bars - 1
            if last and drums and len(drums) > 1 and rng.random() < 0.55:
                start, extra = groove.fill()
                bar = [h for h in bar if h.beat < start] + extra
            hits += [h._replace(beat=h.beat + (at + k) * bar_beats) for h in bar if h.layer in layers]
        at += section.bars
    return sorted(hits)
