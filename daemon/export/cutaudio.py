"""Audio on its way from a source to a copy: cut, gain, fade, rate, word length; block by block.

Samples travel as floats: float32 holds every integer up to 24 bits exactly, and what needs more
(32-bit integer, 64-bit float) is read again from the file as float64.

* Resampling: soxr at its highest quality, no delay: sample 0 stays the same musical instant.
* Word length: where it shrinks, triangular dither of +-1 step (Lipshitz, Wannamaker, Vanderkooy,
  "Quantization and Dither: A Theoretical Survey", JAES 40(5), 1992); digital silence stays silent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import soundfile as sf
import soxr

from config.settings import Limits
from daemon.decode.audiochecks import repair
from daemon.decode.audiofile import is_lossy, read_audio, word_length
from daemon.decode.spool import Scratch
from daemon.decode.stems import at_rate
from daemon.export.plan import CutPlan
from daemon.export.wavfile import BITS, Encoding

if TYPE_CHECKING:
    from daemon.decode.decoder import Decoded

FloatArray = npt.NDArray[np.floating[Any]]

BLOCK = 1 << 17  # frames worked on at once
SILENT_RUN = 64  # frames of digital zero that are left without dither
WIDE_SUBTYPES = ("PCM_32", "ALAC_32", "DOUBLE")  # words that float32 cannot hold
ALREADY_CHECKED = Limits(max_minutes=600, max_file_mb=65536, max_channels=8)  # by `decode`
DITHER_SEED = 1770  # fixed: the same input gives the same bytes


@dataclass(frozen=True, slots=True)
class Audio:
    """Something to cut from: `read(first, last)` gives frames inside [0, frames], as floats."""

    read: Callable[[int, int], FloatArray]
    frames: int
    rate: int
    channels: int
    bits: int | None  # word length of integer PCM; None = float or lossy
    is_double: bool
    lossless: bool
    coded: bool = False  # by a lossy codec

    def fits(self, encoding: Encoding) -> bool:
        """True where every sample has its exact value in words of this kind."""
        if encoding == "float64":
            return True
        if encoding == "float32":
            return not self.is_double and (self.bits or 0) <= 24
        return self.bits is not None and self.bits <= BITS[encoding]


@dataclass(frozen=True, slots=True)
class Render:
    """From source to the copy's float samples."""

    audio: Audio
    plan: CutPlan
    rate: int
    gain: float = 1.0
    fade_frames: int = 0

    @property
    def frames(self) -> int:
        cut = self.plan.pad_samples + self.plan.source_end - self.plan.source_start
        return round(cut * self.rate / self.audio.rate)

    @property
    def untouched(self) -> bool:
        """True where the copy's samples are the source's own."""
        return self.gain == 1.0 and self.fade_frames == 0 and self.rate == self.audio.rate

    def blocks(self) -> Iterator[FloatArray]:
        """Blocks [shape=(n, channels)], `frames` in all."""
        treated = (self._treated(block, at) for at, block in self._cut())
        return treated if self.rate == self.audio.rate else self._resampled(treated)

    def words(self, encoding: Encoding, *, dither: bool) -> Iterator[npt.NDArray[np.generic]]:
        """The same blocks in words of this kind: int32 values for integers, floats as they are."""
        rng = np.random.Generator(np.random.SFC64(DITHER_SEED)) if dither else None
        for block in self.blocks():
            yield block if encoding.startswith("float") else quantised(block, BITS[encoding], rng)

    def _cut(self) -> Iterator[tuple[int, FloatArray]]:
        """(first frame in the copy, block) of pad and source; zeros beyond the source's end."""
        plan, channels = self.plan, self.audio.channels
        for at in range(0, plan.pad_samples, BLOCK):
            yield at, np.zeros((min(BLOCK, plan.pad_samples - at), channels), dtype=np.float32)
        for first in range(plan.source_start, plan.source_end, BLOCK):
            last = min(first + BLOCK, plan.source_end)
            block = self.audio.read(min(first, self.audio.frames), min(last, self.audio.frames))
            if len(block) < last - first:
                block = np.pad(block, ((0, last - first - len(block)), (0, 0)))
            yield plan.pad_samples + first - plan.source_start, block

    def _treated(self, block: FloatArray, at: int) -> FloatArray:
        if self.gain != 1.0:
            block = block * block.dtype.type(self.gain)
        into = at - self.plan.pad_samples
        if 0 <= into < self.fade_frames:
            ramp = np.sin(np.pi / 2 * (np.arange(into, self.fade_frames) + 0.5) / self.fade_frames) ** 2
            ramp = ramp[: len(block), None].astype(block.dtype)
            block = np.concatenate((block[: len(ramp)] * ramp, block[len(ramp) :]))
        return block

    def _resampled(self, blocks: Iterator[FloatArray]) -> Iterator[FloatArray]:
        stream = soxr.ResampleStream(
            self.audio.rate, self.rate, self.audio.channels, dtype="float32", quality="VHQ"
        )
        left = self.frames
        for block in blocks:
            out = stream.resample_chunk(np.ascontiguousarray(block, dtype=np.float32))[:left]
            left -= len(out)
            yield out
        out = stream.resample_chunk(np.zeros((0, self.audio.channels), np.float32), last=True)[:left]
        yield np.pad(out, ((0, left - len(out)), (0, 0)))


@contextmanager
def decoded_audio(decoded: Decoded) -> Iterator[Audio]:
    """A decoded drop to cut from."""
    source, samples = decoded.source, decoded.signal.samples
    if source.subtype in WIDE_SUBTYPES:
        with file_audio(decoded.path) as audio:
            yield replace(audio, frames=source.frames)
        return
    lossless = not source.lossy and source.format != "stems"
    yield Audio(
        read=lambda first, last: samples[first:last],
        frames=len(samples),
        rate=source.rate,
        channels=samples.shape[1],
        bits=source.bit_depth if lossless else None,
        is_double=False,
        lossless=lossless,
        coded=source.lossy,
    )


@contextmanager
def file_audio(path: Path) -> Iterator[Audio]:
    """A file to cut from, read block by block."""
    with sf.SoundFile(path) as file:
        bits = word_length(file.subtype)
        dtype = "float64" if file.subtype in WIDE_SUBTYPES else "float32"

        def read(first: int, last: int) -> FloatArray:
            file.seek(first)
            block: FloatArray = file.read(last - first, dtype=dtype, always_2d=True)
            repair(block)
            return block

        yield Audio(
            read=read,
            frames=file.frames,
            rate=file.samplerate,
            channels=file.channels,
            bits=bits,
            is_double=file.subtype == "DOUBLE",
            lossless=not is_lossy(file.subtype),
        )


@contextmanager
def stem_audio(path: Path, rate: int, place: Path) -> Iterator[Audio]:
    """A stem to cut from, at the rate of the sum; its damaged end is what `read_audio` made of it.

    `place` is a private folder, in which a long stem lies while it is copied.
    """
    with Scratch(place / ".work") as scratch:
        stem = read_audio(path, ALREADY_CHECKED, scratch)
        if stem.rate == rate and stem.subtype in WIDE_SUBTYPES:
            with file_audio(path) as audio:
                yield audio
            return
        samples = at_rate(stem, rate, scratch)
        exact = stem.rate == rate and not stem.lossy
        yield Audio(
            read=lambda first, last: samples[first:last],
            frames=len(samples),
            rate=rate,
            channels=samples.shape[1],
            bits=stem.bit_depth if exact else None,
            is_double=False,
            lossless=exact,
            coded=stem.lossy,
        )


def quantised(block: FloatArray, bits: int, rng: np.random.Generator | None) -> npt.NDArray[np.int32]:
    """Integer words of a block; dithered when a generator is given, else exact values are expected."""
    scale = 2.0 ** (bits - 1)
    if rng is None:
        return (block * block.dtype.type(scale)).astype(np.int32)
    words = block.astype(np.float64) * scale
    words += _triangular(rng, block)
    np.rint(words, out=words)
    return np.clip(words, -scale, scale - 1, out=words).astype(np.int32)


def _triangular(rng: np.random.Generator, block: FloatArray) -> FloatArray:
    """Noise of triangular density over +-1, zero in runs of digital silence."""
    noise = np.frombuffer(rng.bytes(4 * block.size), dtype="<i2").reshape(2, *block.shape)
    out: FloatArray = np.subtract(noise[0], noise[1], dtype=np.float32) / np.float32(65536)
    starts = np.arange(0, len(block), SILENT_RUN)
    if len(starts):
        sounding = np.logical_or.reduceat(block.any(axis=1), starts)
        out *= np.repeat(sounding, SILENT_RUN)[: len(block), None]
    return out
