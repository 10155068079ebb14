"""Read one audio file completely into float32, by blocks, believing no header.

Time zero is the first sample that libsndfile returns: nothing is dropped or shifted. For an MP3
that states its encoder's delay libsndfile removes exactly that; for one that does not, 1105
samples or so of codec delay stay at the start, here as in a session that imports the file, and a
warning says that the start is uncertain.

Memory: one array of the result's size, or a file for a long one (`daemon/decode/spool.py`). Nothing is sized
from the header alone: a header can claim 2**63 frames, so the array begins at what the bytes make
likely and grows with the samples.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile as sf

from analyzers.signal.samples import SampleArray
from config.settings import Limits
from daemon.core.errors import NotAudio, TooLong, UnreadableAudio
from daemon.core.text import file_name
from daemon.decode.audiochecks import (
    SEND_AGAIN,
    Decoding,
    invalid_warnings,
    length_warnings,
    name_warnings,
    plain_cause,
    repair,
    require_size,
)
from daemon.decode.headers import READABLE, Content, Extent, measure_extent, recognise
from daemon.decode.packets import NEAR, UNKNOWN, Packets, is_opus
from daemon.decode.safeopen import hash_beside, opened
from daemon.decode.spool import Collector, Scratch
from daemon.decode.tagformats import read_tags
from daemon.decode.tags import clean_tags

BLOCK = 65536  # frames read at once
SALVAGE_BLOCK = 8  # frames read at once up to the point of damage
RATES_HZ = (8000, 384000)  # believable sample rates
ASK_AGAIN = "ask the producer for a WAV, AIFF, FLAC, OGG, MP3 or M4A file"
LOSSY_SUBTYPES = ("MPEG", "AAC", "VORBIS", "OPUS", "ADPCM", "ULAW", "ALAW", "GSM", "G72", "NMS", "VOX")


@dataclass(frozen=True, slots=True, eq=False)
class AudioFile:
    """One decoded file: ``samples`` float32 [shape=(frames, channels)], all finite."""

    path: Path
    sha256: str
    bytes: int
    format: str
    subtype: str
    rate: int
    samples: SampleArray
    tags: dict[str, str]
    warnings: tuple[str, ...]

    @property
    def bit_depth(self) -> int | None:
        """Word length of integer PCM; None for float and lossy formats."""
        return word_length(self.subtype)

    @property
    def lossy(self) -> bool:
        return is_lossy(self.subtype)


def word_length(subtype: str) -> int | None:
    """Bits of integer PCM by libsndfile's name of it; None for float and lossy."""
    digits = subtype.removeprefix("PCM_").lstrip("SU").removeprefix("ALAC_")
    return int(digits) if digits.isdigit() else None


def is_lossy(subtype: str) -> bool:
    return any(mark in subtype for mark in LOSSY_SUBTYPES)


def content_of(path: Path) -> Content:
    """What a file is by its first bytes."""
    with opened(path) as file:
        return recognise(file)


def read_audio(path: Path, limits: Limits, scratch: Scratch) -> AudioFile:
    """Hash, recognise and decode one file.

    Silence and shortness are the caller's questions (`audiochecks.require_sound`, `require_length`):
    a silent stem is a finding, a silent beat is an error. A long signal lies in `scratch` and is gone
    with it.

    Raises
    ------
    NotAudio, UnreadableAudio, EmptyDrop, TooLong : the file cannot be used, with the reason
    UnsafeDrop, ChangedWhileReading, DropWithdrawn, NoPermission : see `intake.opened`
    DiskFull : no space for a long signal
    """
    name = file_name(path)
    with opened(path) as file, ThreadPoolExecutor(1) as beside:
        size = file.seek(0, 2)
        require_size(name, size, limits)
        whole = hash_beside(file, beside)
        content = recognise(file)
        if content.format not in READABLE:
            kind = "a zip archive" if content.format == "ZIP" else content.words
            raise NotAudio(name, f"it is {kind}, not an audio format that can be read", ASK_AGAIN)
        extent = measure_extent(file, content, size)
        tags = read_tags(file, content)
        samples, info = _decode(file, name, content, extent, limits, scratch)
        sha256, length = whole()
    warnings = [
        *name_warnings(path, content),
        *length_warnings(content, extent, info, len(samples)),
        *invalid_warnings(info.invalid),
    ]
    assert content.format is not None
    return AudioFile(
        path,
        sha256,
        length,
        content.format,
        info.subtype,
        info.rate,
        samples,
        clean_tags(tags | info.tags),
        tuple(warnings),
    )


def _decode(
    file: BinaryIO, name: str, content: Content, extent: Extent, limits: Limits, scratch: Scratch
) -> tuple[SampleArray, Decoding]:
    with open_sound(file, name, content, extent.start_known) as sound:
        samples, info = _read_all(sound, file, name, extent, limits, scratch)
    if _should_be_longer(content, extent, info, samples.frames):
        better = _second_opinion(file, name, content, extent, limits, scratch)
        if better is not None and better[0].frames >= samples.frames:
            samples, info = better[0], replace(better[1], subtype=info.subtype, tags=info.tags)
    if info.damage and not isinstance(sound, Packets):
        file.seek(0)
        with open_sound(file, name, content) as sound:
            info = replace(info, invalid=info.invalid + _salvage(sound, samples))
    if samples.frames == 0:
        raise UnreadableAudio(name, "not one sample of it can be decoded", SEND_AGAIN)
    return samples.done(), info


def _read_all(
    sound: Sound, file: BinaryIO, name: str, extent: Extent, limits: Limits, scratch: Scratch
) -> tuple[Collector, Decoding]:
    size = os.fstat(file.fileno()).st_size  # the decoder is somewhere in it
    if not RATES_HZ[0] <= sound.samplerate <= RATES_HZ[1]:
        cause = f"its header states a sample rate of {sound.samplerate} Hz, which cannot be right"
        raise UnreadableAudio(name, cause, SEND_AGAIN)
    if sound.channels > limits.max_channels:
        cause = f"{sound.channels} channels, more than limits.max_channels = {limits.max_channels}"
        raise TooLong(name, cause, "ask the producer for a stereo bounce, or for stems in a folder")
    declared = sound.frames if 0 <= sound.frames < UNKNOWN else None
    stated = declared if extent.counts_frames else None
    most = int(limits.max_minutes * 60 * sound.samplerate)
    if stated is not None and stated > most and size > stated / sound.samplerate * 1000:
        raise _too_long(name, stated / sound.samplerate, limits)
    expected = min(declared if declared is not None else most, most, size * 64) + BLOCK
    samples = Collector(scratch, sound.channels, expected)
    damage, invalid = _fill(sound, samples, most)
    if samples.frames > most:
        raise _too_long(name, samples.frames / sound.samplerate, limits, "more than ")
    if isinstance(sound, Packets) and stated is not None and abs(stated - samples.frames) <= NEAR:
        stated = samples.frames
    guessed = stated is None and isinstance(sound, _Forward) and samples.frames == declared
    stated, tags = extent.declared_frames or stated, sound.copy_metadata()
    return samples, Decoding(sound.subtype, sound.samplerate, stated, guessed, damage, tags, invalid)


def _should_be_longer(content: Content, extent: Extent, info: Decoding, frames: int) -> bool:
    """All bytes are there, and yet the decoder stopped early."""
    whole = content.format != "OGG" and not extent.missing_bytes  # of Vorbis the first one is the reference
    return whole and (info.damage or info.guessed or frames < (info.declared or 0))


def _second_opinion(
    file: BinaryIO, name: str, content: Content, extent: Extent, limits: Limits, scratch: Scratch
) -> tuple[Collector, Decoding] | None:
    """What the other decoder makes of it, if it reads it to its end without an error."""
    assert content.format is not None
    try:
        with Packets(file, name, content.format) as sound:
            samples, info = _read_all(sound, file, name, extent, limits, scratch)
    except (NotAudio, UnreadableAudio):
        return None
    return None if info.damage or samples.frames < (info.declared or 0) else (samples, info)


class _Forward(sf.SoundFile):  # type: ignore[misc]
    """Reads on and on. A seekable file is positioned anew after each block, which costs time and
    makes the decoder fail at the end of a FLAC of unknown length."""

    damaged = False  # it raises where it meets damage

    def seekable(self) -> bool:
        return False


Sound = _Forward | Packets


class _Stream:
    """The file as libsndfile sees it: a seek to before its start stays where it is, without noise.

    BW64 (ITU-R BS.2088) is RF64 by another name, which libsndfile does not know.
    """

    def __init__(self, file: BinaryIO) -> None:
        self.file, self.tell = file, file.tell
        file.seek(0)
        plain = file.readinto  # type: ignore[attr-defined]  # itself: it is called for each 8 KB
        self.readinto = self._renamed if file.read(4) == b"BW64" else plain
        file.seek(0)

    def _renamed(self, room: memoryview) -> int:
        at = self.file.tell()
        data = self.file.read(len(room))
        room[: len(data)] = b"RF64"[: len(data)] + data[4:] if at == 0 else data
        return len(data)

    def seek(self, offset: int, whence: int = 0) -> int:
        try:
            return self.file.seek(offset, whence)
        except (OSError, ValueError):
            return self.file.tell()


def open_sound(file: BinaryIO, name: str, content: Content | None = None, start_known: bool = True) -> Sound:
    """A decoder on an open file, by its content. Raises UnreadableAudio when it cannot be opened."""
    content = content or recognise(file)
    if content.format in ("M4A", "AAC") or (
        content.format == "OGG" and is_opus(file) and Packets.available()
    ):
        stated = start_known and content.format != "AAC"
        return Packets(file, name, content.format, stated)
    try:
        return _Forward(_Stream(file))
    except (sf.LibsndfileError, TypeError, ValueError) as error:
        text = getattr(error, "error_string", str(error)).rstrip(".").removeprefix("Error : ")
        raise UnreadableAudio(name, plain_cause(text), SEND_AGAIN) from error


def _fill(sound: Sound, samples: Collector, most: int) -> tuple[bool, int]:
    """Read to the end; at most one block beyond `most` frames.

    Returns whether the decoder gave up on an error, and how many invalid numbers there were.
    """
    invalid, whole_numbers = 0, word_length(sound.subtype) is not None
    while samples.frames <= most:
        room = samples.room(BLOCK)
        try:
            block = sound.read(out=room)
        except (sf.LibsndfileError, ValueError):
            return True, invalid
        invalid += 0 if whole_numbers else repair(block)
        samples.take(block)
        if len(block) < BLOCK:
            break
    return sound.damaged, invalid


def _salvage(sound: sf.SoundFile, samples: Collector) -> int:
    """Read again up to the last block that was good, then in tiny steps up to the damage.

    Returns how many invalid numbers there were in the steps.
    """
    at, good = 0, samples.frames
    invalid, passed = 0, np.empty((BLOCK, sound.channels), np.float32)
    while at < good + BLOCK:
        room = passed if at < good else samples.room(SALVAGE_BLOCK)
        try:
            block = sound.read(out=room)
        except (sf.LibsndfileError, ValueError):
            break
        at += len(block)
        if room is not passed:
            invalid += repair(block)
            samples.take(block)
        if len(block) == 0:
            break
    if at < good:
        samples.cut(at)
    return invalid


def _too_long(name: str, seconds: float, limits: Limits, more: str = "") -> TooLong:
    cause = f"it lasts {more}{seconds / 60:.0f} minutes; limits.max_minutes is {limits.max_minutes:g}"
    return TooLong(name, cause, "raise the limit if a recording of this length is meant")
