"""Faults put into clean music on purpose, one function each, for `levels.py`.

Each takes (rng, music [shape=(frames, 2)], rate) and returns the faulty signal and what is declared
about it. Magnitudes are drawn over the range that matters to a session.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile as sf
import soxr
from scipy.signal import firwin, lfilter, oaconvolve

from analyzers.model import Options

Stereo = npt.NDArray[np.float32]
Faulty = tuple[Stereo, Options]
Rng = np.random.Generator


def _words(music: Stereo, bits: int) -> Stereo:
    step = 2.0 ** (1 - bits)
    return np.clip(np.rint(music / step) * step, -1, 1 - step).astype(np.float32)


def _peak_one(music: Stereo) -> Stereo:
    return music / np.abs(music).max()


def _loud_places(rng: Rng, music: Stereo, rate: int, count: int) -> list[int]:
    """Frames in the middle of sounding music, at least a second apart."""
    size = rate // 50
    level = np.abs(music[: len(music) // size * size, 0]).reshape(-1, size).mean(axis=1)
    loud = np.flatnonzero(level > 0.5 * np.percentile(level, 80))
    loud = loud[(loud > 50) & (loud < len(level) - 50)]
    picked: list[int] = []
    for k in rng.permutation(loud):
        if all(abs(k - other) > 50 for other in picked):
            picked.append(int(k))
        if len(picked) == count:
            break
    return [k * size + int(rng.integers(size)) for k in picked]


def clipped(rng: Rng, music: Stereo, rate: int) -> Faulty:
    bits = int(rng.choice([16, 24]))
    return _words(np.clip(_peak_one(music) * 10 ** (rng.uniform(2, 9) / 20), -1, 1), bits), Options(
        bit_depth=bits
    )


def clipped_below(rng: Rng, music: Stereo, rate: int) -> Faulty:
    hot, _ = clipped(rng, music, rate)
    return _words(hot * rng.uniform(0.3, 0.95), 24), Options(bit_depth=24)


def inter_sample(rng: Rng, music: Stereo, rate: int) -> Faulty:
    out = _peak_one(music) * np.float32(0.5)
    at, n = _loud_places(rng, music, rate, 1)[0], np.arange(200)
    burst = 10 ** (rng.uniform(0.2, 2) / 20) * np.sin(np.pi / 2 * n + np.pi / 4) * np.hanning(200)
    out[at : at + 200] = burst[:, None]
    return out, Options()


def offset(rng: Rng, music: Stereo, rate: int) -> Faulty:
    shift = rng.choice([-1, 1]) * rng.uniform(0.005, 0.05)
    return music * np.float32(0.9) + np.float32(shift), Options()


def lopsided(rng: Rng, music: Stereo, rate: int) -> Faulty:
    out = music.copy()
    out[:, rng.integers(2)] *= 10 ** (-rng.uniform(3.5, 12) / 20)
    return out, Options()


def dead(rng: Rng, music: Stereo, rate: int) -> Faulty:
    out = music.copy()
    out[:, rng.integers(2)] *= 0 if rng.random() < 0.7 else 3e-4
    return out, Options()


def mono(rng: Rng, music: Stereo, rate: int) -> Faulty:
    return np.repeat(music.mean(axis=1, keepdims=True), 2, axis=1), Options()


def inverted(rng: Rng, music: Stereo, rate: int) -> Faulty:
    out = music.copy()
    out[:, rng.integers(2)] *= -1
    return out, Options()


def sides_only(rng: Rng, music: Stereo, rate: int) -> Faulty:
    """A mix whose middle is too weak: mono loses 5 to 12 dB."""
    mid, side = music.mean(axis=1), oaconvolve(music.mean(axis=1), rng.standard_normal(64) / 8)[: len(music)]
    share = 10 ** (-rng.uniform(5, 12) / 10)
    side *= np.sqrt(np.mean(mid**2) / np.mean(side**2) * (1 - share) / share)
    return (np.stack([mid + side, mid - side], axis=1) * 0.3).astype(np.float32), Options()


def band_inverted(rng: Rng, music: Stereo, rate: int) -> Faulty:
    """The strongest of four bands inverted in one channel of a narrow mix."""
    narrow = music + np.float32(1.5) * music.mean(axis=1, keepdims=True)
    bands = [firwin(4001, edges, pass_zero=False, fs=rate) for edges in ((15, 160), (140, 620), (580, 2600))]
    parts = [oaconvolve(narrow[:, 1], taps, mode="same") for taps in bands]
    loudest = max(parts, key=lambda part: float(np.mean(part**2)))
    narrow[:, 1] -= (2 * loudest).astype(np.float32)
    return narrow * np.float32(0.3), Options()


def _with_bed(rng: Rng, music: Stereo, rate: int, bed: npt.NDArray[np.floating[Any]], dbfs: float) -> Stereo:
    """A second or two of lead-in and a bed under everything, at an RMS level."""
    bed = bed / np.sqrt(np.mean(bed**2)) * 10 ** (dbfs / 20)
    return (music + bed[: len(music)]).astype(np.float32)


def led_in(rng: Rng, music: Stereo, rate: int) -> Stereo:
    return np.concatenate([np.zeros((int(rate * rng.uniform(0.6, 2)), music.shape[1]), np.float32), music])


def hum(rng: Rng, music: Stereo, rate: int) -> Faulty:
    music = led_in(rng, music, rate)
    mains, t = rng.choice([50.0, 60.0]), np.arange(len(music)) / rate
    tone = sum(
        rng.uniform(0.1, 1) * np.sin(2 * np.pi * mains * k * t + rng.uniform(0, 6))
        for k in (1, 2, 3, 4, 5, 7)
    )
    bed = np.stack([tone, tone], axis=1) + 0.02 * rng.standard_normal(music.shape)
    return _with_bed(rng, music, rate, bed, rng.uniform(-72, -45)), Options()


def noise(kind: str, rng: Rng, shape: tuple[int, int], rate: int) -> npt.NDArray[np.float64]:
    """A bed of noise [shape=shape], unscaled: white, pink, brown or crackle."""
    bed = rng.standard_normal(shape)
    if kind == "pink":  # a usual three-pole approximation
        bed = lfilter(
            [0.049922, -0.095993, 0.050612, -0.004408], [1, -2.494956, 2.017265, -0.522189], bed, axis=0
        )
    if kind == "brown":
        bed = lfilter([1], [1, -0.995], bed, axis=0)
    if kind == "crackle":
        for at in rng.integers(0, shape[0], int(12 * shape[0] / rate)):
            pop = rng.standard_normal(int(rate * rng.uniform(0.0005, 0.003)))
            pop *= rng.uniform(2, 50) * np.exp(-np.linspace(0, 4, len(pop)))
            end = min(at + len(pop), shape[0])
            bed[at:end] += pop[: end - at, None]
    return bed


def noisy(rng: Rng, music: Stereo, rate: int) -> Faulty:
    music = led_in(rng, music, rate)
    bed = noise(str(rng.choice(["white", "pink"])), rng, (len(music), 2), rate)
    return _with_bed(rng, music, rate, bed, rng.uniform(-72, -48)), Options()


def holes(rng: Rng, music: Stereo, rate: int) -> Faulty:
    out = music.copy()
    for at in _loud_places(rng, music, rate, int(rng.integers(1, 5))):
        length = int(rate * 10 ** rng.uniform(-3, -1.2))  # 1 to 60 ms
        out[at : at + length, slice(None) if rng.random() < 0.7 else int(rng.integers(2))] = 0
    return out, Options()


def held(rng: Rng, music: Stereo, rate: int) -> Faulty:
    out = music.copy()
    for at in _loud_places(rng, music, rate, int(rng.integers(1, 5))):
        out[at : at + int(rate * 10 ** rng.uniform(-3, -1.2))] = out[at]
    return out, Options()


def once_lossy(rng: Rng, music: Stereo, rate: int) -> Faulty:
    known = min(rate, 48000)  # the format has no higher rates
    packed = io.BytesIO()
    sf.write(
        packed,
        soxr.resample(music, rate, known),
        known,
        "MPEG_LAYER_III",
        format="MP3",
        bitrate_mode="CONSTANT",
        compression_level=float(rng.uniform(0.6, 0.75)),  # about 128 down to 96 kbit/s
    )
    packed.seek(0)
    return _words(soxr.resample(sf.read(packed, dtype="float32")[0], known, rate), 16), Options(bit_depth=16)


def short_words(rng: Rng, music: Stereo, rate: int) -> Faulty:
    return _words(music, 16), Options(bit_depth=24)


def quiet(rng: Rng, music: Stereo, rate: int) -> Faulty:
    return music * np.float32(10 ** (-rng.uniform(35, 50) / 20)), Options()


FAULTS: dict[str, tuple[Callable[[Rng, Stereo, int], Faulty], tuple[str, ...]]] = {
    "clipping at full scale": (clipped, ("clipping",)),
    "clipping below full scale": (clipped_below, ("clipping",)),
    "inter-sample over": (inter_sample, ("inter-sample-over", "over-full-scale")),
    "constant offset": (offset, ("dc-offset",)),
    "channel level": (lopsided, ("channel-level",)),
    "dead channel": (dead, ("dead-channel",)),
    "mono in stereo": (mono, ("mono-in-stereo",)),
    "inverted channel": (inverted, ("polarity-inverted",)),
    "mono loss": (sides_only, ("mono-loss", "polarity-inverted")),
    "band out of phase": (band_inverted, ("out-of-phase-band", "polarity-inverted", "mono-loss")),
    "hum": (hum, ("hum",)),
    "noise floor": (noisy, ("noise-floor",)),
    "dropout to zero": (holes, ("dropout",)),
    "held samples": (held, ("dropout",)),
    "lossy origin": (once_lossy, ("lossy-origin",)),
    "unused bits": (short_words, ("unused-bits",)),
    "very quiet": (quiet, ("very-quiet",)),
}
