"""Traces of an earlier lossy life, unused bits and unusual formats."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile as sf

from analyzers.health.origin import used_bits
from analyzers.model import Options
from tests.analyzers.health_kit import RATE, clean, faults, words


def bright(seed: int = 1, rate: int = RATE) -> np.ndarray:
    """Clean music whose top reaches the end of the spectrum."""
    rng = np.random.default_rng(seed)
    samples = clean(seed=seed, rate=rate)
    return (samples + rng.standard_normal(samples.shape) * 0.01).astype(np.float32)


def through_mp3(samples: np.ndarray, rate: int, level: float) -> np.ndarray:
    """Encoded at a constant rate and decoded again; level 0.65 is about 112 kbit/s."""
    packed = io.BytesIO()
    sf.write(
        packed,
        samples,
        rate,
        "MPEG_LAYER_III",
        format="MP3",
        bitrate_mode="CONSTANT",
        compression_level=level,
    )
    packed.seek(0)
    return sf.read(packed, dtype="float32")[0]


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("level", [0.6, 0.7, 0.8])
def test_once_lossy(level: float, rate: int) -> None:
    decoded = words(through_mp3(bright(rate=rate), rate, level), 16)
    flag = faults(decoded, rate, Options(bit_depth=16))["lossy-origin"]
    assert flag.severity == "warning"
    assert flag.amount is not None
    assert 10_000 < flag.amount < 18_500
    assert "lossy-origin" not in faults(decoded, rate, Options(lossy=True))


@pytest.mark.parametrize("seed", range(3))
def test_bright_and_dark_music_has_no_cliff(seed: int) -> None:
    assert "lossy-origin" not in faults(bright(seed))
    dark = clean(seed=seed)
    for _ in range(4):  # falls off by 24 dB an octave
        dark = np.cumsum(dark - dark.mean(axis=0), axis=0)
        dark -= np.linspace(dark[0], dark[-1], len(dark))
    assert "lossy-origin" not in faults(
        words(dark / np.abs(dark).max() * 0.8, 16), RATE, Options(bit_depth=16)
    )


def test_unused_bits() -> None:
    samples = words(clean(), 16)
    flag = faults(samples, RATE, Options(bit_depth=24))["unused-bits"]
    assert "24-bit file that holds 16-bit" in flag.text
    assert "unused-bits" not in faults(samples, RATE, Options(bit_depth=16))
    assert "unused-bits" not in faults(clean(), RATE, Options(bit_depth=24))
    assert used_bits(words(clean(), 8)) == 8
    assert used_bits(clean()) is None


@pytest.mark.parametrize("rate", [22050, 32000, 50000])
def test_unusual_rate(rate: int) -> None:
    assert faults(clean(rate=rate), rate)["unusual-rate"].amount == rate


def test_eight_bits() -> None:
    assert faults(words(clean(), 8), RATE, Options(bit_depth=8))["short-words"].severity == "warning"
