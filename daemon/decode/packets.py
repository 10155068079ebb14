"""The second decoder (PyAV): AAC, ALAC and Opus, and whatever the first one cannot read to its end.

It looks like an open sound file of the first decoder. Time zero is the first sample of the producer's
session: what the container says of the encoder's delay and of padding (edit list, gapless tag, Opus pre-skip)
is removed. AAC that says nothing of it loses the one frame that every encoder of it puts in front; others put
more, so the caller warns (`Extent.start_known`). The demuxer is named by our own look at the content, so that
no playlist or network format is ever tried, and only codecs of sound in `CODECS` are decoded.

Sources: ISO/IEC 14496-3 (AAC: a frame is 1024 samples, and one of them precedes the sound), 14496-12 (edit
lists); RFC 7845 (Opus pre-skip and end).
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from types import TracebackType
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from daemon.core.errors import NotAudio, UnreadableAudio

Floats = npt.NDArray[np.float32]
DEMUXERS = {
    "M4A": "mov", "AAC": "aac", "OGG": "ogg", "MP3": "mp3", "FLAC": "flac", "WAV": "wav", "RF64": "wav",
    "AIFF": "aiff", "CAF": "caf", "W64": "w64", "AU": "au",
}  # fmt: skip
CODECS = {"aac": "AAC", "alac": "ALAC", "opus": "OPUS", "vorbis": "VORBIS", "mp3": "MPEG_LAYER_III"}
CODECS |= {"mp3float": "MPEG_LAYER_III", "flac": "FLAC"}
CAREFUL = {"err_detect": "crccheck+bitstream+buffer+explode"}
NEAR = 2048  # samples: what containers and decoders may disagree about at the end (two AAC frames)
TAGS = ("title", "artist", "comment", "genre", "date", "album")
UNKNOWN = 2**62  # samples
MISSING = "the decoder for it is not installed (the Python package 'av')"


class Packets:
    """A sound as libsndfile would give it: `read` fills an array; a short one is the end.

    Raises UnreadableAudio when it cannot be opened, NotAudio when PyAV is not there.
    """

    @staticmethod
    def available() -> bool:
        """Is PyAV there?"""
        return find_spec("av") is not None

    def __init__(self, file: BinaryIO, name: str, form: str, start_known: bool = True) -> None:
        try:
            import av
        except ImportError as error:
            raise NotAudio(name, MISSING, "install it, or ask for a WAV, AIFF, FLAC or MP3 file") from error
        self._errors: Any = (av.FFmpegError, ValueError, IndexError, MemoryError, OSError)
        self.damaged = False
        file.seek(0)
        try:
            self._container = av.open(_Reader(file), "r", format=DEMUXERS[form], metadata_errors="replace")
            self._begin(form, start_known)
        except self._errors as error:
            said = getattr(error, "strerror", None) or str(error) or type(error).__name__
            cause = f"the decoder cannot open it ({said[:120]})"
            raise UnreadableAudio(name, cause, "ask the producer to bounce and send it again") from error

    def _begin(self, form: str, start_known: bool) -> None:
        stream = next(iter(self._container.streams.audio), None)
        context = stream.codec_context if stream is not None else None  # None: a codec that has no name
        codec = context.name if context is not None else "none"
        if stream is None or not (codec in CODECS or codec.startswith("pcm_")):
            raise ValueError(f"no sound of a known kind: {codec}")
        stream.codec_context.thread_type, stream.codec_context.options = "NONE", CAREFUL
        self._frames = self._decoded(stream)
        first = next(self._frames, None)
        if first is None:
            raise ValueError("not one frame")
        self.samplerate, self.channels = int(first.sample_rate), int(first.layout.nb_channels)
        self.subtype = _subtype(codec, bytes(stream.codec_context.extradata or b""))
        self.frames = _declared(stream, self.samplerate, form)
        self._left = self.frames if form == "M4A" else UNKNOWN
        self._rest = _samples(first)[0 if start_known else first.samples :]

    def _decoded(self, stream: Any) -> Iterator[Any]:
        """All frames up to an error."""
        try:
            yield from self._container.decode(stream)
        except self._errors:
            self.damaged = True

    def read(self, out: Floats) -> Floats:
        """Fill `out` [shape=(frames, channels)]; returns what was filled of it."""
        at = 0
        while at < len(out) and self._left > 0:
            if not len(self._rest) and not self._more():
                break
            part = self._rest[: min(len(out) - at, self._left)]
            out[at : at + len(part)] = part
            at, self._rest, self._left = at + len(part), self._rest[len(part) :], self._left - len(part)
        return out[:at]

    def _more(self) -> bool:
        frame = next(self._frames, None)
        if frame is None:
            return False
        if (frame.sample_rate, frame.layout.nb_channels) != (self.samplerate, self.channels):
            self.damaged = True
            return False
        self._rest = _samples(frame)
        return True

    def copy_metadata(self) -> dict[str, str]:
        names = ("title", "artist", "comment", "genre", "date", "album")
        return {
            name: str(self._container.metadata[name]) for name in names if name in self._container.metadata
        }

    def __enter__(self) -> Packets:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._container.close()


class _Reader:
    """A file without name, so that the decoder sees nothing but its bytes."""

    def __init__(self, file: BinaryIO) -> None:
        self.read, self.seek, self.tell = file.read, file.seek, file.tell


def is_opus(file: BinaryIO) -> bool:
    """Does an Ogg stream begin with the identification of RFC 7845, and is PyAV there to read it?"""
    file.seek(28)
    return file.read(8) == b"OpusHead" and Packets.available()


def _samples(frame: Any) -> Floats:
    """[shape=(n, channels)]; integers to +-1, as the first decoder has them."""
    data = frame.to_ndarray()
    if not frame.format.is_planar:
        data = data.reshape(-1, frame.layout.nb_channels).T
    if data.dtype.kind in "iu":
        offset = 128 if data.dtype == np.uint8 else 0
        data = (data.astype(np.float64) - offset) / 2.0 ** (8 * data.dtype.itemsize - 1)
    return np.asarray(data.T, dtype=np.float32)


def _declared(stream: Any, rate: int, form: str) -> int:
    """Samples by the container, without the encoder's delay; `UNKNOWN` where it only guesses."""
    if form == "AAC" or not stream.duration or stream.time_base is None:
        return UNKNOWN
    start = stream.start_time if form == "OGG" and stream.start_time else 0
    skipped = stream.codec_context.delay if form == "OGG" and not start else 0
    return int(stream.duration * stream.time_base * rate + 0.5) - int(skipped)


def _subtype(codec: str, extra: bytes) -> str:
    """libsndfile's name of the coding. The word length of ALAC stands in its cookie, at byte 17."""
    if codec == "alac":
        return f"ALAC_{extra[17] if len(extra) > 17 and extra[17] in (16, 20, 24, 32) else 24}"
    return CODECS.get(codec, codec.upper())
