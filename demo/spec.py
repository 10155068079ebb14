"""What a beat is made of: the decisions above the notes, all drawn from one seed.

The notes, sounds and mix follow from the same seed inside `demo.render`, so a spec is the whole beat.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from demo.styles import SONG_STYLES, STYLES

LAYERS = ("kick", "snare", "hats", "perc", "bass", "chords", "pad", "arp", "lead")
DRUMS = ("kick", "snare", "hats", "perc")
Rng = np.random.Generator
CLEAN, NOISY = (0.85, 0.10, 0.05), (0.4, 0.4, 0.2)  # chances of no bed, crackle, hiss


@dataclass(frozen=True, slots=True)
class SectionSpec:
    name: str  # intro, verse, hook, bridge, break, outro
    bars: int
    layers: tuple[str, ...]
    energy: float  # 0..1


@dataclass(frozen=True, slots=True)
class BeatSpec:
    seed: int
    kind: str  # "beat", "song", "drums", "ambient"
    style: str
    rate: int
    bpm: float
    other_tempi: tuple[float, ...]  # ratios of further accepted tempi
    swing: float
    jitter_ms: float  # SD of played timing around the grid
    drift: float  # SD of the tempo's wander as a share; 0: steady
    tempo_step: tuple[float, float] | None  # (share of the length, ratio)
    tonic: int
    mode: str
    key_shift: tuple[float, int] | None  # (share of the length, semitones)
    relative: bool  # the loop fits the relative key as well
    tuning_cents: float
    sections: tuple[SectionSpec, ...]
    pickup_beats: float
    tag: str  # "none", "before", "over"
    lead_in_s: float
    lead_in: str  # "silence", "dither", "hiss"
    noise_bed: str  # "none", "crackle", "hiss"
    ending: str  # "cut", "ring", "fade"
    tail_s: float
    defect: str  # "none", "mono", "left_heavy_6db", ...
    drive: float  # master level into the soft clipper
    peak: float  # sample peak of the result
    solo: bool = False  # one instrument plays everything


def draw_bpm(rng: Rng, span: tuple[float, float]) -> float:
    """Mostly whole numbers, some halves, some odd decimals."""
    bpm = rng.uniform(*span)
    kind = rng.random()
    if kind < 0.55:
        return float(round(bpm))
    if kind < 0.65:
        return round(bpm * 2) / 2
    return float(round(bpm, int(rng.integers(1, 4))))


def _draw_mode(rng: Rng, minor: float) -> str:
    if rng.random() < minor:
        return str(rng.choice(["minor", "dorian", "phrygian", "harmonic minor"], p=[0.74, 0.09, 0.07, 0.10]))
    return str(rng.choice(["major", "mixolydian"], p=[0.87, 0.13]))


def _draw_layers(rng: Rng, kind: str, light: bool, solo: bool, energy: float, name: str) -> tuple[str, ...]:
    """Which layers sound in a section: fuller with more energy, drums late in an intro."""
    chance = dict.fromkeys(LAYERS, 0.25 + 0.7 * energy)
    chance |= {
        "kick": 0.97,
        "snare": 0.95,
        "hats": 0.9,
        "perc": 0.2 + 0.4 * energy,
        "bass": 0.93,
        "chords": 0.85,
    }
    chance |= {"pad": 0.4, "arp": 0.3, "lead": 0.25 + 0.35 * energy}
    if name in ("intro", "break", "outro") or energy < 0.3:
        drums = rng.choice([0.05, 0.4, 0.95], p=[0.5, 0.25, 0.25])
        chance |= {"kick": drums, "snare": drums * 0.8, "hats": max(drums * 0.9, 0.15), "perc": drums * 0.4}
        chance |= {"bass": 0.35, "chords": 0.8, "lead": 0.3}
    if kind == "song":
        chance |= {
            "chords": 0.98,
            "lead": 0.75 if name != "intro" else 0.4,
            "arp": 0.12,
            "pad": 0.3,
            "bass": 0.75,
        }
    if light:
        chance |= {"kick": 0.12, "snare": 0.06, "hats": 0.12, "perc": 0.15}
    if solo:
        chance = dict.fromkeys(LAYERS, 0.0) | {"chords": 1.0, "lead": 0.8, "arp": 0.1}
    if kind == "drums":
        chance |= {"bass": 0, "chords": 0, "pad": 0, "arp": 0, "lead": 0, "kick": 1}
    if kind == "ambient":
        chance = dict.fromkeys(LAYERS, 0.0) | {"pad": 1.0, "lead": 0.5}
    layers = tuple(layer for layer in LAYERS if rng.random() < chance[layer])
    if not set(layers) & {"chords", "pad", "bass", "kick"}:
        layers += ("kick",) if kind == "drums" else ("chords",)
    return layers


def _draw_sections(
    rng: Rng, kind: str, light: bool, solo: bool, bar_s: float, length_s: float
) -> tuple[SectionSpec, ...]:
    bars = max(round(length_s / bar_s), 8)
    unit = 4 if bar_s < 2.6 else 2
    names = ["intro"] if rng.random() < 0.8 else []
    names += ["verse", "hook", "verse", "hook", "bridge" if rng.random() < 0.5 else "break", "hook", "verse"]
    out: list[SectionSpec] = []
    used = 0
    looks: dict[str, tuple[tuple[str, ...], float]] = {}
    for name in names:
        size = unit * int(rng.choice([1, 2, 2, 4] if name != "intro" else [1, 1, 2]))
        size += int(rng.choice([0, 0, 0, 0, 0, 0, 0, 0, 1, 2, -1]))
        size = min(max(size, 2), bars - used)
        if size < 1:
            break
        if name not in looks or rng.random() < 0.4:
            energy = {"intro": 0.2, "verse": 0.55, "hook": 0.95, "bridge": 0.4, "break": 0.15}[name]
            energy = float(np.clip(energy + rng.normal(0, 0.12), 0, 1))
            looks[name] = (_draw_layers(rng, kind, light, solo, energy, name), energy)
        out.append(SectionSpec(name, size, *looks[name]))
        used += size
    if used < bars:
        out.append(SectionSpec("outro", bars - used, _draw_layers(rng, kind, light, solo, 0.3, "outro"), 0.3))
    return tuple(out)


def _draw_drift(rng: Rng, kind: str) -> tuple[float, tuple[float, float] | None]:
    draw = rng.random()
    if draw < (0.06 if kind == "beat" else 0.12):
        return float(rng.uniform(0.002, 0.02)), None
    if draw < 0.09 and kind == "beat":
        return 0.0, (float(rng.uniform(0.3, 0.7)), float(rng.choice([0.5, 0.9, 0.95, 1.05, 1.1, 4 / 3, 2.0])))
    return 0.0, None


def _draw_level(rng: Rng, kind: str) -> tuple[float, float]:
    """Drive and peak: beats are mostly mastered loud, song arrangements mostly not."""
    loud = rng.random()
    if kind == "song" and loud < 0.75:
        return float(rng.uniform(0.15, 0.8)), float(10 ** (rng.uniform(-10, 0) / 20))
    if loud < 0.55:
        return float(rng.uniform(1.0, 3.5)), float(rng.uniform(0.85, 1.0))
    return float(rng.uniform(0.2, 1.0)), float(10 ** (rng.uniform(-14, -0.5) / 20))


_DEFECTS = ("mono", "left_heavy_6db", "silent_right", "polarity_inverted_right", "clipped", "dc_offset")


def random_spec(
    seed: int,
    *,
    kind: str | None = None,
    style: str | None = None,
    length_s: float | None = None,
    new_key: bool = False,
) -> BeatSpec:
    """Draw a beat. `kind` ("beat", "song", "drums", "ambient") and `style` narrow the draw.

    With `new_key` it changes its key, if a section begins in its second half.
    """
    rng = np.random.default_rng([seed, 1])
    kind = kind or str(rng.choice(["beat", "song", "drums", "ambient"], p=[0.66, 0.26, 0.04, 0.04]))
    names = SONG_STYLES if kind == "song" else tuple(STYLES)
    style = style or str(rng.choice(names))
    s = STYLES[style]
    bpm = draw_bpm(rng, s.bpm)
    drift, step = _draw_drift(rng, kind)
    songlike = kind == "song"
    solo = songlike and rng.random() < 0.35
    light = rng.random() < (max(s.light, 0.6) if kind == "song" else s.light)
    length = length_s or float(rng.uniform(38, 85))
    mode = _draw_mode(rng, s.minor)
    pickup = float(rng.choice([0.25, 0.5, 0.75, 1, 1.5, 2, 3])) if rng.random() < 0.16 else 0.0
    if s.steps == 3 and pickup:
        pickup = float(rng.choice([1 / 3, 2 / 3, 1, 4 / 3]))
    drive, peak = _draw_level(rng, kind)
    return BeatSpec(
        seed=seed,
        kind=kind,
        style=style,
        rate=int(rng.choice([44100, 48000, 44100, 44100, 22050 * 4], p=[0.5, 0.35, 0.05, 0.05, 0.05])),
        bpm=bpm,
        other_tempi=s.other_tempi + ((2.0,) if songlike and s.steps == 4 and bpm < 95 else ()),
        swing=float(rng.uniform(*s.swing)) if rng.random() < 0.8 else 0.5,
        jitter_ms=float(rng.uniform(*((0, 12) if songlike and rng.random() < 0.4 else s.jitter))),
        drift=drift,
        tempo_step=step,
        tonic=int(rng.integers(12)),
        mode=mode,
        key_shift=_draw_key_shift(rng, 1.0 if new_key else 0.05),
        relative=mode in ("major", "minor") and rng.random() < 0.03,
        tuning_cents=_draw_tuning(rng),
        sections=_draw_sections(rng, kind, light, solo, s.beats * 60 / bpm, length),
        pickup_beats=pickup,
        **_draw_edges(rng, style),
        drive=drive,
        peak=peak,
        solo=solo,
    )


def _draw_edges(rng: Rng, style: str) -> dict[str, Any]:
    """What comes before, under and after the music, and what went wrong with it."""
    return {
        "tag": str(rng.choice(["none", "before", "over"], p=[0.88, 0.06, 0.06])),
        "lead_in_s": float(rng.uniform(0, rng.choice([0.2, 4.0]))) if rng.random() > 0.15 else 0.0,
        "lead_in": str(rng.choice(["silence", "dither", "hiss"], p=[0.75, 0.15, 0.10])),
        "noise_bed": str(rng.choice(["none", "crackle", "hiss"], p=NOISY if style == "lofi" else CLEAN)),
        "ending": str(rng.choice(["cut", "ring", "fade"], p=[0.3, 0.45, 0.25])),
        "tail_s": float(rng.choice([0, rng.uniform(0, 3)])),
        "defect": str(rng.choice(_DEFECTS)) if rng.random() < 0.05 else "none",
    }


def _draw_key_shift(rng: Rng, share: float) -> tuple[float, int] | None:
    shift = float(rng.uniform(0.45, 0.75)), int(rng.choice([1, 2, 3, 5, -2]))
    return shift if rng.random() < share else None


def _draw_tuning(rng: Rng) -> float:
    draw = rng.random()
    if draw < 0.75:
        return 0.0
    if draw < 0.80:
        return -31.767  # A4 = 432 Hz
    return float(np.round(rng.uniform(-49, 49), 2))
