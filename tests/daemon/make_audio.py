"""Signals and damaged files with known truth, for the tests of reading."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile as sf

Samples = npt.NDArray[np.float32]


def clicks(frames: int, channels: int, at: tuple[int, ...]) -> Samples:
    """Single samples of 0.5 (a value that every word length holds exactly) in digital silence."""
    out = np.zeros((frames, channels), np.float32)
    for place in at:
        out[place] = 0.5
    return out


def noise(seconds: float, rate: int = 44100, channels: int = 2, seed: int = 0, level: float = 0.1) -> Samples:
    rng = np.random.default_rng(seed)
    return (rng.standard_normal((int(seconds * rate), channels)) * level).astype(np.float32)


def burst(seconds: float, rate: int, channels: int, at: int) -> Samples:
    """A noise burst of 0.1 s that begins at sample `at`."""
    out = np.zeros((int(seconds * rate), channels), np.float32)
    out[at : at + rate // 10] = noise(0.1, rate, 1, level=0.3)[: rate // 10]
    return out


def file_bytes(samples: Samples, rate: int = 44100, **form: object) -> bytes:
    stream = io.BytesIO()
    sf.write(stream, samples, rate, **({"format": "WAV", "subtype": "PCM_16"} | form))
    return stream.getvalue()


def write(path: Path, samples: Samples, rate: int = 44100, **form: object) -> Path:
    path.write_bytes(file_bytes(samples, rate, **form))
    return path


def lag(wanted: Samples, found: Samples, most: int) -> int:
    """Samples by which `found` is later, by the peak of the cross-correlation of the first channels."""
    size = 1 << (max(len(wanted), len(found)) + most).bit_length()
    spectrum = np.conj(np.fft.rfft(wanted[:, 0], size)) * np.fft.rfft(found[:, 0], size)
    cross = np.fft.irfft(spectrum, size)
    around = np.concatenate([cross[-most:], cross[: most + 1]])
    return int(np.argmax(around)) - most


def without_delay_tag(mp3: bytes) -> bytes:
    """The same MP3 stream without its first frame, the one that states the delay.

    Frame length by ISO/IEC 11172-3: 144 x bit rate / rate + padding; LAME writes the tag frame
    without padding at the bit rate in its own header.
    """
    tag = max(mp3.find(b"Xing"), mp3.find(b"Info"))
    frame = tag - 36  # MPEG-1 stereo: 4 bytes header, 32 bytes side information
    rates = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
    kbits, padding = rates[mp3[frame + 2] >> 4], mp3[frame + 2] >> 1 & 1
    return mp3[frame + 144 * kbits * 1000 // 44100 + padding :]


def patched(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


def wav_claiming(data: bytes, length: int) -> bytes:
    return patched(data, data.find(b"data") + 4, struct.pack("<I", length))


def flac_claiming(data: bytes, frames: int) -> bytes:
    """Set the 36-bit total of STREAMINFO (RFC 9639, 8.2): bytes 18..25 of the file, low bits."""
    old = int.from_bytes(data[18:26], "big")
    return patched(data, 18, ((old & ~0xFFFFFFFFF) | frames).to_bytes(8, "big"))
