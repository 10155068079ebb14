"""Read one audio file completely into float32, by blocks, believing no header.

Time zero is the first sample that libsndfile returns: nothing is dropped or shifted. For an MP3
that states its encoder's delay libsndfile removes exactly that; for one that does not, 1105
samples or so of codec delay stay at the start, here as in a session that imports the file, and a
warning says that the start is uncertain.

Memory: one array of the result's size. It is never sized from the header alone: a header can
claim 2**63 frames, so the array begins at what the bytes make likely and grows with the samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import soundfile as sf

from config.settings import Limits
from daemon.errors import EmptyDrop, NotAudio, TooLong, TooShort, UnreadableAudio
from daemon.headers import EXTENSIONS, READABLE, Content, Extent, measure_extent, recognise
from daemon.intake import hash_open, opened, shown_name
from daemon.tagformats import read_tags
from daemon.tags import clean_tags

BLOCK = 32768  # frames read at once
SALVAGE_BLOCK = 8  # frames read at once up to the point of damage
RATES_HZ = (8000, 384000)  # believable sample rates
USUAL_RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)
FULL_ANALYSIS_S = 10.0  # shorter: some questions cannot be answered
ABSURD = 2.0**32  # larger samples are damage; integers written as float are smaller
SILENCE = 1e-4  # half the peak-to-peak range: -80 dBFS, what dither alone reaches
ASK_AGAIN = "ask the producer for a WAV, AIFF, FLAC, OGG or MP3 file"
SEND_AGAIN = "ask the producer to bounce and send it again"
LOSSY_SUBTYPES = ("MPEG", "VORBIS", "OPUS", "ADPCM", "ULAW", "ALAW", "GSM", "G72", "NMS", "VOX")


@dataclass(frozen=True, slots=True, eq=False)
class AudioFile:
    """One decoded file: ``samples`` float32 [shape=(frames, channels)], all finite."""

    path: Path
    sha256: str
    bytes: int
    format: str
    subtype: str
    rate: int
    samples: npt.NDArray[np.float32]
    tags: dict[str, str]
    warnings: tuple[str, ...]

    @property
    def bit_depth(self) -> int | None:
        """Word length of integer PCM; None for float and lossy formats."""
        digits = self.subtype.removeprefix("PCM_").lstrip("SU").removeprefix("ALAC_")
        return int(digits) if digits.isdigit() else None

    @property
    def lossy(self) -> bool:
        return is_lossy(self.subtype)


def is_lossy(subtype: str) -> bool:
    return any(mark in subtype for mark in LOSSY_SUBTYPES)


def content_of(path: Path) -> Content:
    """What a file is by its first bytes."""
    with opened(path) as file:
        return recognise(file)


def read_audio(path: Path, limits: Limits) -> AudioFile:
    """Hash, recognise and decode one file.

    Silence and shortness are the caller's questions (`require_sound`, `require_length`): a
    silent stem is a finding, a silent beat is an error.

    Raises
    ------
    NotAudio, UnreadableAudio, EmptyDrop, TooLong : the file cannot be used, with the reason
    UnsafeDrop, ChangedWhileReading, DropWithdrawn, NoPermission : see `intake.opened`
    """
    name = shown_name(path)
    with opened(path) as file:
        size = file.seek(0, 2)
        _require_size(name, size, limits)
        sha256, length = hash_open(file)
        content = recognise(file)
        if content.format not in READABLE:
            raise NotAudio(
                name, f"it is {_article(content)}, not an audio format that can be read", ASK_AGAIN
            )
        extent = measure_extent(file, content, size)
        tags = read_tags(file, content)
        samples, info = _decode(file, name, size, limits)
    warnings = [
        *_name_warnings(path, content),
        *_length_warnings(content, extent, info, len(samples)),
        *_rate_warnings(info.rate),
        *repair(samples),
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


@dataclass(frozen=True, slots=True)
class _Info:
    subtype: str
    rate: int
    declared: int | None  # frames by libsndfile; None = unknown
    damage: bool  # the decoder reported an error
    tags: dict[str, str]
    size: int


def _require_size(name: str, size: int, limits: Limits) -> None:
    if size == 0:
        raise EmptyDrop(name, "the file holds no bytes", SEND_AGAIN)
    if size > limits.max_file_mb * 1e6:
        cause = f"{size / 1e6:.0f} MB, more than limits.max_file_mb = {limits.max_file_mb:g}"
        raise TooLong(name, cause, "raise the limit if a file of this size is meant")


def _decode(file: BinaryIO, name: str, size: int, limits: Limits) -> tuple[npt.NDArray[np.float32], _Info]:
    with _soundfile(file, name) as sound:
        if not RATES_HZ[0] <= sound.samplerate <= RATES_HZ[1]:
            cause = f"its header states a sample rate of {sound.samplerate} Hz, which cannot be right"
            raise UnreadableAudio(name, cause, SEND_AGAIN)
        if sound.channels > limits.max_channels:
            cause = f"{sound.channels} channels, more than limits.max_channels = {limits.max_channels}"
            raise TooLong(name, cause, "ask the producer for a stereo bounce, or for stems in a folder")
        declared = sound.frames if 0 <= sound.frames < 2**62 else None
        most = int(limits.max_minutes * 60 * sound.samplerate)
        if declared is not None and declared > most and size > declared / sound.samplerate * 1000:
            raise _too_long(name, declared / sound.samplerate, limits)
        expected = min(declared if declared is not None else most, most, size * 64) + BLOCK
        samples = np.empty((expected, sound.channels), np.float32)
        frames, damage = _fill(sound, samples, most)
        if frames > most:
            raise _too_long(name, frames / sound.samplerate, limits, "more than ")
        info = _Info(sound.subtype, sound.samplerate, declared, damage, sound.copy_metadata(), size)
    if damage:
        file.seek(0)
        with _soundfile(file, name) as sound:
            frames = _salvage(sound, samples, frames)
    if frames == 0:
        raise UnreadableAudio(name, "not one sample of it can be decoded", SEND_AGAIN)
    samples.resize((frames, samples.shape[1]), refcheck=False)
    return samples, info


class _Forward(sf.SoundFile):  # type: ignore[misc]
    """Reads on and on. A seekable file is positioned anew after each block, which costs time and
    makes the decoder fail at the end of a FLAC of unknown length."""

    def seekable(self) -> bool:
        return False


def _soundfile(file: BinaryIO, name: str) -> sf.SoundFile:
    file.seek(0)
    try:
        return _Forward(file)
    except (sf.LibsndfileError, TypeError, ValueError) as error:
        text = getattr(error, "error_string", str(error)).rstrip(".").removeprefix("Error : ")
        cause = f"the decoder cannot open it ({text[:120]})"
        raise UnreadableAudio(name, cause, SEND_AGAIN) from error


def _fill(sound: sf.SoundFile, samples: npt.NDArray[np.float32], most: int) -> tuple[int, bool]:
    """Read to the end, growing `samples` in place; at most one block beyond `most` frames.

    Returns the frames read and whether the decoder gave up on an error.
    """
    at = 0
    while at <= most:
        if at + BLOCK > len(samples):
            samples.resize((max(2 * len(samples), at + BLOCK), samples.shape[1]), refcheck=False)
        try:
            got = len(sound.read(out=samples[at : at + BLOCK]))
        except (sf.LibsndfileError, ValueError):
            return at, True
        at += got
        if got < BLOCK:
            return at, False
    return at, False


def _salvage(sound: sf.SoundFile, samples: npt.NDArray[np.float32], good: int) -> int:
    """Read again up to the last block that was good, then in tiny steps up to the damage."""
    at = 0
    end = min(good + BLOCK, len(samples))
    while at < end:
        step = BLOCK if at < good else SALVAGE_BLOCK
        try:
            got = len(sound.read(out=samples[at : min(at + step, end)]))
        except (sf.LibsndfileError, ValueError):
            return at
        at += got
        if got == 0:
            break
    return at


def _too_long(name: str, seconds: float, limits: Limits, more: str = "") -> TooLong:
    cause = f"it lasts {more}{seconds / 60:.0f} minutes; limits.max_minutes is {limits.max_minutes:g}"
    return TooLong(name, cause, "raise the limit if a recording of this length is meant")


def _article(content: Content) -> str:
    return "a zip archive" if content.format == "ZIP" else content.words


def _name_warnings(path: Path, content: Content) -> list[str]:
    extension = path.suffix.lower().lstrip(".")
    if extension in EXTENSIONS.get(content.format or "", ()):
        return []
    named = f"named .{shown_name(extension)}" if extension else "named without an extension"
    return [f"The file is {named} but is {content.words} inside; it was read as what it is."]


def _length_warnings(content: Content, extent: Extent, info: _Info, frames: int) -> list[str]:
    found = []
    seconds = frames / info.rate
    declared = extent.declared_frames or info.declared
    if extent.missing_bytes > 1:
        share = extent.missing_bytes / max(1, extent.declared_bytes or 1)
        found.append(
            f"Cut off: the header declares {extent.declared_bytes} bytes of audio, {extent.missing_bytes} "
            f"({share:.0%}) are missing; only {seconds:.1f} s are there."
        )
    elif declared is not None and frames < declared:
        found.append(
            f"Cut off or damaged: the header declares {declared / info.rate:.1f} s, "
            f"only {seconds:.1f} s can be read."
        )
    elif info.damage and declared is not None:
        found.append(f"Damaged: the decoder stopped with an error after {seconds:.1f} s.")
    elif not extent.ended:
        found.append(f"Cut off: the stream has no end mark; {seconds:.1f} s are there.")
    if content.format == "FLAC" and extent.declared_frames is None:
        found.append(
            f"The header does not state the length; {seconds:.1f} s were read. Check the end by ear."
        )
    if content.format == "MP3":
        found += _mp3_warnings(extent, info, seconds)
    return found


def _mp3_warnings(extent: Extent, info: _Info, seconds: float) -> list[str]:
    found = []
    if not extent.start_known:
        found.append(
            "Start uncertain: this MP3 does not state its encoder's delay, so everything may sit about "
            f"25 to 50 ms late (usually {1105 / info.rate * 1000:.0f} ms) against the producer's session."
        )
    if (extent.present_bytes or 0) * 8 / seconds > 450_000:  # the format's highest rate is 320 kbit/s
        found.append(
            f"The header states {seconds:.1f} s but the file holds more; only that much can be read."
        )
    return found


def _rate_warnings(rate: int) -> list[str]:
    if rate in USUAL_RATES_HZ:
        return []
    return [f"Unusual sample rate of {rate} Hz; the session will have to convert it."]


def repair(samples: npt.NDArray[np.float32]) -> list[str]:
    """Replace, in place, what is no number or beyond any level by 0; say how many samples.

    In blocks: no temporary copy of the whole signal.
    """
    bad = 0
    for at in range(0, len(samples), BLOCK * 8):
        block = samples[at : at + BLOCK * 8]
        good = np.abs(block) < ABSURD  # False for NaN
        if not good.all():
            bad += int(good.size - np.count_nonzero(good))
            block[~good] = 0.0
    if not bad:
        return []
    noun = "sample is" if bad == 1 else "samples are"
    return [f"{bad} {noun} no valid number (NaN, infinite or absurdly large) and taken as 0."]


def require_length(name: str, frames: int, rate: int, limits: Limits) -> list[str]:
    """Warnings for a short signal.

    Raises TooShort below ``limits.min_seconds``.
    """
    seconds = frames / rate
    if seconds < limits.min_seconds:
        cause = f"{seconds:.2f} s is too short for a beat; limits.min_seconds is {limits.min_seconds:g}"
        raise TooShort(name, cause, SEND_AGAIN)
    if seconds < FULL_ANALYSIS_S:
        return [
            f"Only {seconds:.1f} s long: tempo, bar one, key and sections rest on little; check them by ear."
        ]
    return []


def require_sound(name: str, samples: npt.NDArray[np.float32]) -> None:
    """Raise EmptyDrop when no channel holds more than dither or a constant offset."""
    if is_silent(samples):
        digital = not samples.any()
        level = "digital silence" if digital else "only a constant offset or noise below -80 dBFS"
        next_step = "ask the producer to check the bounce and send it again"
        raise EmptyDrop(name, f"it holds no sound ({level})", next_step)


def is_silent(samples: npt.NDArray[np.float32]) -> bool:
    """True when every channel's peak-to-peak range stays below twice `SILENCE`."""
    low = np.full(samples.shape[1], np.inf, np.float32)
    high = -low
    for at in range(0, len(samples), BLOCK):
        block = samples[at : at + BLOCK]
        low, high = np.minimum(low, block.min(axis=0)), np.maximum(high, block.max(axis=0))
        if (high - low).max() >= 2 * SILENCE:
            return False
    return True
