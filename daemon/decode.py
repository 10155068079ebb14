"""From what was dropped to samples and facts: `decode(path)`.

Convention: time zero is the first sample that libsndfile returns for the file (for stems: that
all of them share). The signal is float32, never normalised; the original is only read.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from analyzers.model import Signal
from config.settings import Limits
from daemon.audiofile import AudioFile, read_audio, require_length, require_sound
from daemon.intake import shown_name


@dataclass(frozen=True, slots=True)
class Source:
    """Facts about what was dropped; they go into the report."""

    name: str  # file or folder name, fit to be shown (see `intake.shown_name`)
    producer: str | None  # sub-folder of incoming, if any
    sha256: str  # of the drop's bytes
    bytes: int
    format: str  # "WAV", "AIFF", "FLAC", "OGG", "MP3", ... or "stems"
    subtype: str  # libsndfile's, "PCM_24"
    rate: int  # Hz
    channels: int
    frames: int
    bit_depth: int | None  # word length of integer PCM; None for float and lossy
    lossy: bool
    tags: dict[str, str]
    warnings: tuple[str, ...]  # whole sentences for the report


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """A drop ready for analysis. ``path`` is the audio file to copy from (for stems: the folder)."""

    source: Source
    signal: Signal
    path: Path


def decode(
    path: Path, *, limits: Limits, producer: str | None = None, workdir: Path | None = None
) -> Decoded:
    """Read a drop completely.

    Parameters
    ----------
    path : an audio file, a folder of stems, or a zip of either
    limits : what is refused as too long, too big, too short
    producer : name of the sub-folder it lay in, for the report
    workdir : private folder that a zip is extracted into; it must outlive the result

    Raises
    ------
    DropError : the drop cannot be used; subject, cause and next step say what to do
    MachineError : trouble of the machine, or the drop changed or went away; try again later
    """
    audio = read_audio(path, limits)
    return _single(audio, shown_name(path), producer, limits)


def _single(audio: AudioFile, name: str, producer: str | None, limits: Limits) -> Decoded:
    frames, channels = audio.samples.shape
    short = require_length(name, frames, audio.rate, limits)
    require_sound(name, audio.samples)
    source = Source(
        name=name,
        producer=producer,
        sha256=audio.sha256,
        bytes=audio.bytes,
        format=audio.format,
        subtype=audio.subtype,
        rate=audio.rate,
        channels=channels,
        frames=frames,
        bit_depth=audio.bit_depth,
        lossy=audio.lossy,
        tags=audio.tags,
        warnings=(*audio.warnings, *short),
    )
    return Decoded(source, Signal(audio.samples, audio.rate), audio.path)
