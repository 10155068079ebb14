"""Pitched instruments: a drawn timbre, and notes made from it.

A note is the sum of up to three bands of harmonics (wavetables), each with its own decay, doubled by
detuned voices, or a two-operator FM tone (Chowning 1973); plus a breath or hammer noise. The first sample
of the wave is the start of the note.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from demo.dsp import Wave, attack, filtered, lookup, mono, noise, peak_one, release

TABLE = 4096
BANDS = ((1, 3), (4, 9), (10, 64))


@dataclass(frozen=True, slots=True)
class Timbre:
    family: str
    slope: float  # harmonic h has the amplitude h ** -slope
    even: float  # factor on even harmonics
    ripple: float  # random deviation of harmonics, nepers
    attack_s: float
    decay_s: float  # 60 dB, at middle C; inf for sustained tones
    sustain: float  # level that the decay ends on
    release_s: float
    upper_decay: tuple[float, float]  # decay of the upper bands as a share of decay_s
    voices: int = 1
    detune_cents: float = 0.0
    vibrato_cents: float = 0.0
    breath: float = 0.0
    fm_ratio: float = 0.0  # 0: no FM
    fm_index: float = 0.0
    drive: float = 0.0
    seed: int = 0


_INF = float("inf")
_U = tuple[float, float]
# family: slope, even, attack s, decay s, sustain, release s, voices, detune, vibrato, breath
_FAMILIES: dict[str, tuple[_U, _U, _U, _U, _U, _U, tuple[int, int], _U, _U, _U]] = {
    "piano": ((1.0, 2.2), (0.7, 1), (0.001, 0.006), (2.5, 8), (0, 0), (0.1, 0.5), (1, 3), (0.5, 4), (0, 0),
        (0, 0.1)),
    "keys": ((1.5, 3), (0.2, 1), (0.001, 0.01), (1.5, 6), (0, 0.1), (0.1, 0.4), (1, 2), (0, 5), (0, 0),
        (0, 0.05)),
    "organ": ((0.3, 1.2), (0.2, 1), (0.002, 0.03), (_INF, _INF), (1, 1), (0.03, 0.2), (1, 3), (0, 8),
        (0, 8), (0, 0.1)),
    "nylon": ((1.2, 2.4), (0.5, 1), (0.001, 0.006), (1, 4), (0, 0), (0.1, 0.3), (1, 1), (0, 0), (0, 3),
        (0, 0.2)),
    "steel": ((0.7, 1.5), (0.6, 1), (0.001, 0.004), (2, 6), (0, 0), (0.1, 0.4), (1, 2), (0, 5), (0, 0),
        (0, 0.25)),
    "overdriven": ((0.5, 1.1), (0.6, 1), (0.001, 0.008), (3, 9), (0.2, 0.6), (0.05, 0.2), (1, 3), (2, 9),
        (0, 5), (0, 0.1)),
    "strings": ((0.9, 1.5), (0.8, 1), (0.02, 0.25), (_INF, _INF), (1, 1), (0.2, 0.8), (2, 4), (4, 14),
        (0, 12), (0, 0.05)),
    "pad": ((0.8, 2.2), (0.3, 1), (0.02, 0.6), (_INF, _INF), (1, 1), (0.3, 1.5), (2, 4), (4, 18), (0, 10),
        (0, 0.05)),
    "choir": ((1.2, 2.2), (0.8, 1), (0.04, 0.3), (_INF, _INF), (1, 1), (0.2, 0.9), (2, 4), (5, 16), (5, 18),
        (0, 0.1)),
    "pluck": ((0.6, 1.6), (0.2, 1), (0.001, 0.005), (0.3, 1.5), (0, 0), (0.05, 0.3), (1, 3), (0, 12),
        (0, 0), (0, 0)),
    "bell": ((1.5, 3), (0.3, 1), (0.001, 0.004), (1.5, 5), (0, 0), (0.3, 1), (1, 2), (0, 6), (0, 0),
        (0, 0)),
    "mallet": ((2.2, 4), (0.1, 0.6), (0.001, 0.004), (0.4, 1.6), (0, 0), (0.1, 0.4), (1, 1), (0, 0), (0, 0),
        (0, 0.2)),
    "lead": ((0.5, 1.4), (0.1, 1), (0.002, 0.03), (_INF, _INF), (1, 1), (0.05, 0.3), (1, 3), (0, 14),
        (0, 20), (0, 0)),
    "brass": ((0.7, 1.3), (0.8, 1), (0.01, 0.07), (_INF, _INF), (1, 1), (0.08, 0.3), (1, 3), (2, 10),
        (0, 10), (0, 0.05)),
    "flute": ((2, 3.5), (0.3, 0.8), (0.02, 0.08), (_INF, _INF), (1, 1), (0.06, 0.2), (1, 1), (0, 0),
        (5, 20), (0.02, 0.2)),
    "saw": ((0.9, 1.1), (1, 1), (0.001, 0.02), (_INF, _INF), (1, 1), (0.05, 0.3), (2, 4), (5, 20), (0, 0),
        (0, 0)),
    "picked bass": ((1.2, 2.2), (0.6, 1), (0.002, 0.01), (1.5, 5), (0, 0.2), (0.05, 0.2), (1, 1), (0, 0),
        (0, 0), (0, 0.1)),
    "synth bass": ((0.8, 1.8), (0.1, 1), (0.001, 0.01), (0.6, 5), (0, 0.7), (0.03, 0.15), (1, 2), (0, 9),
        (0, 0), (0, 0)),
    "sub": ((2.8, 5), (0.2, 1), (0.002, 0.02), (_INF, _INF), (1, 1), (0.03, 0.12), (1, 1), (0, 0), (0, 0),
        (0, 0)),
}  # fmt: skip
FM_CHANCE = {"keys": 0.6, "bell": 0.8, "mallet": 0.3, "synth bass": 0.2, "pluck": 0.2}


def draw_timbre(rng: np.random.Generator, family: str) -> Timbre:
    slope, even, attack_s, decay_s, sustain, release_s, voices, detune, vibrato, breath = _FAMILIES[family]

    def pick(span: _U) -> float:
        return float(rng.uniform(*span)) if span[1] < _INF else span[0]

    fm = rng.random() < FM_CHANCE.get(family, 0.0)
    ratios = [1, 2, 3, 4, 7] if family in ("keys", "synth bass") else [1.41, 2, 3.5, 2.76, 3, 5.4, 7]
    return Timbre(
        family=family,
        slope=pick(slope),
        even=pick(even),
        ripple=float(rng.uniform(0, 0.5)),
        attack_s=float(np.exp(rng.uniform(*np.log(attack_s)))),
        decay_s=pick(decay_s),
        sustain=pick(sustain),
        release_s=pick(release_s),
        upper_decay=(float(rng.uniform(0.35, 0.9)), float(rng.uniform(0.1, 0.5))),
        voices=int(rng.integers(voices[0], voices[1] + 1)),
        detune_cents=pick(detune),
        vibrato_cents=pick(vibrato) if rng.random() < 0.5 else 0.0,
        breath=pick(breath),
        fm_ratio=float(rng.choice(ratios)) if fm else 0.0,
        fm_index=float(rng.uniform(0.4, 4.0)),
        drive=float(rng.uniform(1, 6)) if family == "overdriven" or rng.random() < 0.15 else 0.0,
        seed=int(rng.integers(2**31)),
    )


@dataclass(slots=True)
class Instrument:
    """Makes and keeps the notes of one timbre at one sampling rate and tuning."""

    timbre: Timbre
    rate: int
    cents: float = 0.0
    _notes: dict[tuple[int, int], Wave] = field(default_factory=dict)

    def note(self, pitch: int, seconds: float) -> Wave:
        """Wave of a note [shape=(n,)], about peak 1; `pitch`: MIDI number, `seconds`: held time."""
        key = (pitch, round(seconds * 50))
        if key not in self._notes:
            self._notes[key] = self._make(pitch, max(key[1] / 50, 0.02))
        return self._notes[key]

    def hertz(self, pitch: int) -> float:
        return float(440.0 * 2 ** ((pitch - 69 + self.cents / 100) / 12))

    def _make(self, pitch: int, seconds: float) -> Wave:
        t = self.timbre
        hz = self.hertz(pitch)
        fall = t.decay_s * 2 ** ((60 - pitch) / 24)
        held = min(seconds, fall * 1.2) if t.sustain == 0 else seconds
        n = int((held + t.release_s) * self.rate)
        x = np.arange(n, dtype=np.float32) / np.float32(self.rate)
        rng = np.random.default_rng([t.seed, pitch])
        wave = self._fm(x, hz, fall) if t.fm_ratio else self._harmonic(x, hz, fall, rng)
        if t.drive:
            wave = np.tanh(wave * np.float32(t.drive)) / np.float32(np.tanh(t.drive))
        if t.breath:
            wave = wave + np.float32(t.breath) * self._breath(x, hz, rng)
        k = int(held * self.rate)
        wave[k:] *= np.exp(-np.arange(n - k, dtype=np.float32) / np.float32(t.release_s * self.rate / 5))
        return release(attack(np.asarray(wave, np.float32), t.attack_s, self.rate), 0.005, self.rate)

    def _level(self, x: Wave, fall: float) -> Wave | np.float32:
        if not np.isfinite(fall):
            return np.float32(1)
        s = np.float32(self.timbre.sustain)
        return mono(s + (1 - s) * np.exp(x * np.float32(-6.9 / fall)))

    def _harmonic(self, x: Wave, hz: float, fall: float, rng: np.random.Generator) -> Wave:
        t = self.timbre
        top = max(min(int(0.45 * self.rate / hz), BANDS[-1][1]), 1)
        h = np.arange(1, top + 1)
        shape = np.random.default_rng(t.seed)  # the same spectrum on every pitch, up to the ripple
        amps = h**-t.slope * np.where(h % 2, 1.0, t.even) * np.exp(t.ripple * shape.standard_normal(64)[:top])
        phases = shape.uniform(0, 2 * np.pi, 64)[:top]
        falling = np.isfinite(fall)
        bands = BANDS if falling else ((1, BANDS[-1][1]),)
        out = np.zeros(len(x), np.float32)
        for b, (low, high) in enumerate(bands):
            if low > top:
                break
            spectrum = np.zeros(TABLE // 2 + 1, complex)
            spectrum[low : min(high, top) + 1] = (amps * np.exp(1j * phases))[low - 1 : high]
            table = (np.fft.irfft(spectrum) * TABLE / 2).astype(np.float32)
            share = 1.0 if b == 0 else t.upper_decay[b - 1]
            out += self._voices(table, hz, x, rng) * self._level(x, fall * share)
        return out / np.float32(np.sqrt((amps**2).sum()) * 1.6)

    def _voices(self, table: Wave, hz: float, x: Wave, rng: np.random.Generator) -> Wave:
        t = self.timbre
        spread = np.linspace(-1, 1, t.voices) * t.detune_cents if t.voices > 1 else np.zeros(1)
        wobble = t.vibrato_cents > 0
        out = np.zeros(len(x), np.float32)
        for cents in spread:
            cycles = hz * 2 ** (cents / 1200) / self.rate
            start = float(rng.random())
            if wobble:
                rate_hz = 5.0 + rng.uniform(-1, 1)
                depth = t.vibrato_cents / 1731 * hz / (2 * np.pi * rate_hz)
                onset = np.minimum(x * 2, 1)
                phase = np.arange(len(x)) * cycles + start + depth * onset * np.sin(2 * np.pi * rate_hz * x)
                out += table[(phase * TABLE).astype(np.int64) & (TABLE - 1)]
            else:
                out += lookup(table, cycles, len(x), start)
        return out / np.float32(np.sqrt(t.voices))

    def _fm(self, x: Wave, hz: float, fall: float) -> Wave:
        t = self.timbre
        if not np.isfinite(fall):
            fall = 4.0
        carrier = (2 * np.pi * np.mod(hz * x.astype(np.float64), 1.0)).astype(np.float32)
        other = (2 * np.pi * np.mod(hz * t.fm_ratio * x.astype(np.float64), 1.0)).astype(np.float32)
        index = np.float32(min(t.fm_index, 0.4 * self.rate / hz / (t.fm_ratio + 1) / 2))
        wave = np.sin(carrier + index * self._level(x, fall * t.upper_decay[0]) * np.sin(other))
        return np.asarray(wave * self._level(x, fall), np.float32)

    def _breath(self, x: Wave, hz: float, rng: np.random.Generator) -> Wave:
        hiss = filtered(noise(rng, len(x)), "band", (hz * 1.5, hz * 8), self.rate, 1)
        if np.isfinite(self.timbre.decay_s):
            hiss = hiss * np.exp(x * np.float32(-1 / 0.012))
        return peak_one(np.asarray(hiss, np.float32))


def bass_drum_tone(timbre: Timbre, hz: float, to_hz: float, seconds: float, rate: int) -> Wave:
    """Long sine drum ("808") at `hz` that glides to `to_hz` in the second half of its length."""
    n = int(seconds * rate)
    x = np.arange(n, dtype=np.float64) / rate
    rng = np.random.default_rng(timbre.seed)
    bend, dive = rng.uniform(0.01, 0.04), rng.uniform(0.2, 2.5)
    glide = np.clip((x / seconds - 0.45) / 0.15, 0, 1)
    pitch = hz * (to_hz / hz) ** glide * (1 + dive * np.exp(-x / bend))
    wave = np.sin(2 * np.pi * np.cumsum(pitch) / rate - 2 * np.pi * pitch[0] / rate if n else x)
    fall = rng.uniform(1.0, 6.0)
    wave = np.tanh(wave * np.exp(-6.9 * x / fall) * (1 + timbre.drive)) / np.tanh(1 + timbre.drive)
    return release(attack(wave.astype(np.float32), timbre.attack_s * 0.3, rate), 0.02, rate)
