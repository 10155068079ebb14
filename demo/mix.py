"""From notes to stereo sound: buses, places, effects and the master.

A note or stroke whose instant is `t` seconds starts at sample ``round(t * rate)`` exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo.clock import Clock, swung
from demo.dsp import Wave, filtered, room
from demo.groove import Hit
from demo.kit import make_kit
from demo.score import Part
from demo.spec import BeatSpec
from demo.styles import STYLES
from demo.tone import Instrument, bass_drum_tone, draw_timbre

Rng = np.random.Generator
MAX_NOTE_S = 9.0
GAIN_DB = {
    "kick": (-5, 2), "snare": (-9, 0), "hats": (-22, -9), "perc": (-22, -9), "crash": (-20, -9),
    "808": (-7, 1), "sub": (-9, -1), "bass": (-12, -2), "chords": (-17, -6), "pad": (-22, -9),
    "arp": (-20, -8), "lead": (-17, -6), "atonal": (-20, -8),
}  # fmt: skip
FAMILIES: dict[str, tuple[str, ...]] = {
    "chords": ("piano", "keys", "organ", "nylon", "steel", "saw", "pluck", "strings", "pad", "brass",
        "choir", "mallet"),
    "pad": ("pad", "strings", "choir", "organ", "saw", "strings"),
    "arp": ("pluck", "bell", "mallet", "keys", "nylon", "piano", "saw", "flute"),
    "lead": ("lead", "flute", "bell", "brass", "piano", "strings", "pluck", "saw", "steel", "choir",
        "keys"),
    "bass": ("picked bass", "synth bass", "sub", "picked bass", "synth bass", "saw"),
    "atonal": ("pluck", "mallet", "bell", "synth bass", "keys"),
    "sub": ("sub",),
    "808": ("sub",),
}  # fmt: skip
SONG_FAMILIES = {
    "chords": ("piano", "piano", "piano", "nylon", "steel", "keys", "organ", "strings"),
    "lead": ("piano", "flute", "strings", "brass", "choir", "steel", "lead", "mallet"),
    "bass": ("picked bass", "sub", "picked bass"),
}
HEAVY = ("kick", "snare", "bass", "sub", "808")
SOLO = ("piano", "piano", "piano", "keys", "nylon", "steel", "organ", "strings")
PLUCKED = ("nylon", "steel", "overdriven", "piano")


@dataclass(slots=True)
class Stage:
    """Where sounds are put: time, buses, and the random source of the mix."""

    spec: BeatSpec
    clock: Clock
    frames: int
    rng: Rng
    left: Wave
    right: Wave
    send: Wave

    def samples(self, beats: npt.ArrayLike, lag_s: float = 0.0) -> npt.NDArray[np.int64]:
        """First samples of events: swing, then the clock, then played jitter and lag."""
        s = self.spec
        t = self.clock.at(swung(beats, s.swing, STYLES[s.style].swing_unit)) + lag_s
        if s.jitter_ms > 0.05:
            t = t + self.rng.normal(0, s.jitter_ms / 1000, t.shape)
        return np.maximum(np.rint(t * s.rate).astype(np.int64), 0)

    def seconds(self, start: float, length: float) -> float:
        a, b = self.clock.at([start, start + length])
        return float(b - a)

    def put_out(self, bus: Wave, gain_db: float, pan: float, wet: float, width_s: float = 0.0) -> None:
        """Add a mono bus to the mix. `pan` -1..1; `width_s` delays the right side (precedence effect)."""
        gain = np.float32(10 ** (gain_db / 20))
        angle = (pan + 1) * np.pi / 4
        shifted = bus
        if width_s > 0:
            d = int(width_s * self.spec.rate)
            shifted = np.concatenate([np.zeros(d, np.float32), bus[:-d]])
        self.left += bus * (gain * np.float32(np.cos(angle) * 1.414))
        self.right += shifted * (gain * np.float32(np.sin(angle) * 1.414))
        if wet > 0:
            self.send += bus * (gain * np.float32(wet))


def new_stage(spec: BeatSpec, clock: Clock, frames: int) -> Stage:
    left, right, send = (np.zeros(frames, np.float32) for _ in range(3))
    return Stage(spec, clock, frames, np.random.default_rng([spec.seed, 20]), left, right, send)


def place(bus: Wave, wave: Wave, at: int, gain: float) -> None:
    end = min(at + len(wave), len(bus))
    if at < end:
        bus[at:end] += wave[: end - at] * np.float32(gain)


def draw_gain(rng: Rng, role: str, song: bool = False) -> float:
    """Level of a role in dB; in a song arrangement drums and bass carry less of it."""
    low, high = GAIN_DB[role]
    return float(rng.uniform(low, high)) - (6.0 * rng.random() + 4.0 if song and role in HEAVY else 0.0)


def play_drums(stage: Stage, hits: list[Hit]) -> tuple[dict[str, Wave], npt.NDArray[np.int64]]:
    """-> the kit, and the first samples of the kick strokes."""
    rng, spec = stage.rng, stage.spec
    character = str(rng.choice(STYLES[spec.style].kits))
    kit = make_kit(rng, character, spec.rate, {h.voice for h in hits})
    lags = {"snare": float(rng.choice([0, 0, 0, rng.uniform(0, 0.012)])), "hats": 0.0}
    kicks = np.zeros(0, np.int64)
    wet = float(rng.choice([0.0, rng.uniform(0, 0.25)]))
    for layer in ("kick", "snare", "hats", "perc", "crash"):
        chosen = [h for h in hits if h.layer == layer]
        if not chosen:
            continue
        at = stage.samples([h.beat for h in chosen], lags.get(layer, 0.0))
        bus = np.zeros(stage.frames, np.float32)
        for h, k in zip(chosen, at, strict=True):
            place(bus, kit[h.voice], int(k), h.velocity**1.5)
        if layer == "kick":
            kicks = at
        pan = 0.0 if layer in ("kick", "snare") else float(rng.uniform(-0.6, 0.6))
        stage.put_out(bus, draw_gain(rng, layer, spec.kind == "song"), pan, 0.0 if layer == "kick" else wet)
    return kit, kicks


def play_part(stage: Stage, part: Part, kicks: npt.NDArray[np.int64]) -> None:
    rng, spec = stage.rng, stage.spec
    role = part.texture if part.role == "bass" else part.role
    families = FAMILIES.get(role, FAMILIES["chords"])
    if spec.kind == "song" or spec.style in ("ballad", "folk", "waltz"):
        families = SONG_FAMILIES.get(role, families)
    family = "overdriven" if spec.style == "rock" and role == "chords" and rng.random() < 0.5 else ""
    if spec.solo:
        rng = np.random.default_rng([spec.seed, 25])  # the same draw for each part
        families = SOLO
    timbre = draw_timbre(rng, family or str(rng.choice(families)))
    if part.texture in ("strum", "travis"):
        timbre = draw_timbre(rng, str(rng.choice(PLUCKED[:2])))
    rng = stage.rng
    instrument = Instrument(timbre, spec.rate, spec.tuning_cents)
    bus = _low_drums(stage, part, instrument) if role == "808" else _notes(stage, part, instrument)
    bus = _coloured(stage, part, bus, kicks)
    low = part.role == "bass"
    stage.put_out(
        bus,
        draw_gain(rng, role if role in GAIN_DB else part.role, spec.kind == "song"),
        0.0 if low else float(rng.uniform(-0.5, 0.5)),
        0.0 if low else float(rng.uniform(0, 0.6)),
        0.0 if low or rng.random() < 0.5 else float(rng.uniform(0.004, 0.02)),
    )


def _notes(stage: Stage, part: Part, instrument: Instrument) -> Wave:
    bus = np.zeros(stage.frames, np.float32)
    at = stage.samples([n.beat for n in part.notes])
    size = 1.0 if part.role in ("bass", "lead") else 0.5
    for n, k in zip(part.notes, at, strict=True):
        wave = instrument.note(n.pitch, min(stage.seconds(n.beat, n.length), MAX_NOTE_S))
        place(bus, wave, int(k) + int(n.offset_s * stage.spec.rate), n.velocity**1.5 * size)
    return bus


def _low_drums(stage: Stage, part: Part, instrument: Instrument) -> Wave:
    """One long drum at a time: each cuts the one before."""
    bus = np.zeros(stage.frames, np.float32)
    at = stage.samples([n.beat for n in part.notes])
    made: dict[tuple[int, int, int], Wave] = {}
    for i, (n, k) in enumerate(zip(part.notes, at, strict=True)):
        seconds = min(stage.seconds(n.beat, n.length) + 0.02, 4.0)
        if i + 1 < len(at):
            seconds = min(seconds, max((at[i + 1] - k) / stage.spec.rate, 0.03))
        key = (n.pitch, n.glide_to, round(seconds * 100))
        if key not in made:
            hz = instrument.hertz(n.pitch)
            target = instrument.hertz(n.glide_to) if n.glide_to else hz
            made[key] = bass_drum_tone(
                instrument.timbre, hz, target, max(key[2] / 100, 0.03), stage.spec.rate
            )
        place(bus, made[key], int(k), n.velocity)
    return bus


def _coloured(stage: Stage, part: Part, bus: Wave, kicks: npt.NDArray[np.int64]) -> Wave:
    """Tone control, echo, side-chain ducking, and a muffled intro: each sometimes."""
    rng, rate = stage.rng, stage.spec.rate
    tonal = part.role != "bass"
    if tonal and rng.random() < 0.35:
        bus = filtered(
            bus, "low", float(np.exp(rng.uniform(np.log(700), np.log(9000)))), rate, int(rng.integers(1, 3))
        )
    if tonal and rng.random() < 0.3:
        bus = filtered(bus, "high", float(rng.uniform(80, 500)), rate, 1)
    if tonal and rng.random() < 0.15:
        d = int(stage.seconds(0, float(rng.choice([0.5, 0.75, 1.0]))) * rate)
        bus = bus.copy()
        bus[d:] += np.float32(rng.uniform(0.15, 0.45)) * bus[:-d]
    if tonal and rng.random() < 0.15:
        cut = int(stage.samples([stage.spec.sections[0].bars * STYLES[stage.spec.style].beats])[0])
        bus[:cut] = filtered(bus[:cut], "low", float(rng.uniform(250, 1500)), rate)
    if len(kicks) and rng.random() < (0.25 if tonal else 0.35):
        bus = bus * _duck(rng, stage.frames, kicks, rate)
    return bus


def _duck(rng: Rng, frames: int, kicks: npt.NDArray[np.int64], rate: int) -> Wave:
    n = int(rng.uniform(0.08, 0.35) * rate)
    shape = (1 - rng.uniform(0.3, 0.95) * (1 - np.linspace(0, 1, n) ** 0.7)).astype(np.float32)
    gain = np.ones(frames, np.float32)
    for k in kicks:
        end = min(int(k) + n, frames)
        if k < end:
            gain[k:end] = shape[: end - k]
    return gain


def add_room(stage: Stage) -> None:
    """One shared room, decorrelated left and right."""
    rng, rate = stage.rng, stage.spec.rate
    if not np.any(stage.send):
        return
    seconds, bright = float(rng.uniform(0.3, 2.5)), float(rng.uniform(2000, 9000))
    level = np.float32(rng.uniform(0.1, 0.6))
    stage.left += level * room(stage.send, seconds, bright, 1.0, rate)
    stage.right += level * room(stage.send, seconds, bright, float(rng.uniform(1.05, 1.25)), rate)
