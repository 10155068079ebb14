"""Writing WAV files that a session can trust: audio plus where it belongs and what it is.

Written from the standards, because no library at hand writes these chunks and because the same
input must give the same bytes (the usual writers stamp the time of day into float files):

* RIFF/WAVE and LIST INFO, `cue `, `adtl`: Multimedia Programming Interface and Data
  Specifications 1.0 (IBM/Microsoft, 1991) and the 1994 additions;
* WAVE_FORMAT_EXTENSIBLE where that is due: more than 16 bits, float, or more than two channels;
* `bext` version 2 with the loudness fields: EBU Tech 3285 v2 (2011), coding history after EBU R 98;
* RF64 with a `ds64` chunk above 4 GiB: EBU Tech 3306.

Text in chunks is ASCII: no standard says how anything else is encoded there.
"""

from __future__ import annotations

import struct
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
import numpy.typing as npt

from analyzers.model import Loudness
from daemon.core.atomic import machine_error

Encoding = Literal["int16", "int24", "int32", "float32", "float64"]
BITS: dict[Encoding, int] = {"int16": 16, "int24": 24, "int32": 32, "float32": 32, "float64": 64}
RIFF_LIMIT = 0xFFFFFFFF  # largest size a RIFF header can state
PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
SPEAKERS = {1: 0x4, 2: 0x3, 3: 0x7, 4: 0x33, 5: 0x37, 6: 0x3F}  # 5: L R C Ls Rs, 6: with LFE
NOT_GIVEN = 0x7FFF  # a bext loudness field without a value
LONGEST_HEAD, LOUDNESS_AT = 128, 412  # bext comes first; bytes into it
ORIGINATOR = "beatintake"


@dataclass(frozen=True, slots=True)
class WavFormat:
    rate: int  # Hz
    channels: int
    encoding: Encoding

    @property
    def frame_bytes(self) -> int:
        return self.channels * BITS[self.encoding] // 8

    @property
    def is_float(self) -> bool:
        return self.encoding.startswith("float")


@dataclass(frozen=True, slots=True)
class Label:
    """A named position, in seconds from the file's first frame."""

    at_s: float
    text: str


@dataclass(frozen=True, slots=True)
class WavNotes:
    """What is written beside the audio; empty fields are left out.

    `date` and `time` (yyyy-mm-dd, hh:mm:ss) are written only when given: no clock is read.
    `time_reference_s` is the file's place in the session (0: the session's start).
    """

    title: str = ""
    artist: str = ""
    comment: str = ""
    software: str = ORIGINATOR
    date: str = ""
    time: str = ""
    reference: str = ""  # unique text, at most 32 characters
    time_reference_s: float = 0.0
    history: str = ""  # coding history lines before ours, separated by line ends
    loudness: Loudness | None = None
    labels: tuple[Label, ...] = ()


def write_wav(
    path: Path, form: WavFormat, frames: int, blocks: Iterable[npt.NDArray[np.generic]], notes: WavNotes
) -> None:
    """Write one file from front to back.

    Parameters
    ----------
    path : the new file
    form : rate, channels and word length
    frames : exact number of frames that `blocks` will give
    blocks : [shape=(n, channels)], integers of the word length (any int dtype) or floats
    notes : text, labels and loudness

    Raises
    ------
    MachineError : the disk is full or refuses
    ValueError : the blocks hold another number of frames
    """
    data_bytes = frames * form.frame_bytes
    head = [_bext(form, notes), _format_chunk(form), *([_fact(frames)] if _extensible(form) else [])]
    tail = b"".join((*_label_chunks(notes.labels, form.rate, frames), _info(notes)))
    try:
        with path.open("wb") as file:
            _write_header(file, b"".join(head), data_bytes, frames, tail)
            written = 0
            for block in blocks:
                written += len(block)
                file.write(_encode(block, form.encoding))
            if written != frames:
                raise ValueError(f"{path.name}: {written} frames given, {frames} announced")
            file.write(b"\0" * (data_bytes & 1) + tail)
    except OSError as error:
        raise machine_error(error, path) from error


def set_loudness(path: Path, loudness: Loudness) -> None:
    """Write what was measured on a file into its broadcast extension."""
    try:
        with path.open("r+b") as file:
            at = file.read(LONGEST_HEAD).index(b"bext") + 8 + LOUDNESS_AT
            file.seek(at)
            file.write(struct.pack("<5h", *_loudness_fields(loudness)))
    except OSError as error:
        raise machine_error(error, path) from error


def _write_header(file: BinaryIO, head: bytes, data_bytes: int, frames: int, tail: bytes) -> None:
    riff_bytes = 4 + len(head) + 8 + data_bytes + (data_bytes & 1) + len(tail)
    if riff_bytes <= RIFF_LIMIT:
        file.write(struct.pack("<4sI4s", b"RIFF", riff_bytes, b"WAVE"))
        file.write(head + struct.pack("<4sI", b"data", data_bytes))
        return
    sizes = _chunk(b"ds64", struct.pack("<QQQI", riff_bytes + 36, data_bytes, frames, 0))
    file.write(struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE") + sizes + head)
    file.write(struct.pack("<4sI", b"data", 0xFFFFFFFF))


def _encode(block: npt.NDArray[np.generic], encoding: Encoding) -> memoryview:
    """The bytes of a block, little-endian; three-byte words go byte by byte, which is faster than a slice."""
    if encoding == "int24":
        words = np.ascontiguousarray(block, dtype="<i4").view(np.uint8).reshape(-1, 4)
        packed = np.empty((len(words), 3), np.uint8)
        for byte in range(3):
            packed[:, byte] = words[:, byte]
        return packed.reshape(-1).data
    dtype = {"int16": "<i2", "int32": "<i4", "float32": "<f4", "float64": "<f8"}[encoding]
    return np.ascontiguousarray(block, dtype=dtype).reshape(-1).view(np.uint8).data


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)


def _extensible(form: WavFormat) -> bool:
    return form.is_float or BITS[form.encoding] > 16 or form.channels > 2


def _format_chunk(form: WavFormat) -> bytes:
    bits = BITS[form.encoding]
    tag = FLOAT if form.is_float else PCM
    rate_bytes = form.rate * form.frame_bytes
    extensible = _extensible(form)
    body = struct.pack(
        "<HHIIHH",
        EXTENSIBLE if extensible else tag,
        form.channels,
        form.rate,
        rate_bytes,
        form.frame_bytes,
        bits,
    )
    if extensible:
        body += struct.pack("<HHIH", 22, bits, SPEAKERS.get(form.channels, 0), tag) + GUID_TAIL
    return _chunk(b"fmt ", body)


def _fact(frames: int) -> bytes:
    return _chunk(b"fact", struct.pack("<I", min(frames, 0xFFFFFFFF)))


def ascii_text(text: str) -> str:
    """Text for a chunk: accents dropped, what has no ASCII form becomes '?', one line."""
    plain = unicodedata.normalize("NFKD", text)
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(plain.encode("ascii", "replace").decode("ascii").split())


def _field(text: str, size: int) -> bytes:
    return ascii_text(text).encode("ascii")[:size].ljust(size, b"\0")


def _bext(form: WavFormat, notes: WavNotes) -> bytes:
    """Broadcast extension, version 2: 602 bytes and the coding history."""
    description = " - ".join(part for part in (notes.title, notes.artist, notes.comment) if part)
    body = _field(description, 256) + _field(ORIGINATOR, 32) + _field(notes.reference, 32)
    body += _field(notes.date, 10) + _field(notes.time, 8)
    body += struct.pack("<QH", round(notes.time_reference_s * form.rate), 2) + bytes(64)
    body += struct.pack("<5h", *_loudness_fields(notes.loudness)) + bytes(180)
    mode = {1: "mono", 2: "stereo"}.get(form.channels, "multitrack")
    kind = "A=PCM" if not form.is_float else "A=FLOAT"
    lines = [ascii_text(line) for line in notes.history.splitlines() if line.strip()]
    lines.append(f"{kind},F={form.rate},W={BITS[form.encoding]},M={mode},T={ORIGINATOR}")
    return _chunk(b"bext", body + "".join(f"{line}\r\n" for line in lines).encode("ascii"))


def _loudness_fields(loudness: Loudness | None) -> tuple[int, ...]:
    if loudness is None:
        return (NOT_GIVEN,) * 5
    values = (
        loudness.integrated_lufs,
        loudness.range_lu,
        loudness.true_peak_dbtp,
        loudness.max_momentary_lufs,
        loudness.max_short_term_lufs,
    )
    return tuple(map(_hundredths, values))


def _hundredths(value: float | None) -> int:
    return NOT_GIVEN if value is None else max(-32768, min(32766, round(value * 100)))


def _label_chunks(labels: tuple[Label, ...], rate: int, frames: int) -> tuple[bytes, ...]:
    """`cue ` points and their names in `LIST adtl`; labels outside the file are left out.

    Labels of one frame share a cue point: two on one sample would hide each other.
    """
    names_at: dict[int, list[str]] = {}
    for label in sorted(labels, key=lambda label: label.at_s):
        names_at.setdefault(round(label.at_s * rate), []).append(label.text)
    placed = [(f, ", ".join(names)) for f, names in names_at.items() if 0 <= f < min(frames, 1 << 32)]
    if not placed:
        return ()
    points, names = [], []
    for number, (frame, text) in enumerate(placed, start=1):
        points.append(struct.pack("<II4sIII", number, frame, b"data", 0, 0, frame))
        names.append(_chunk(b"labl", struct.pack("<I", number) + ascii_text(text).encode("ascii") + b"\0"))
    cue = _chunk(b"cue ", struct.pack("<I", len(points)) + b"".join(points))
    return cue, _chunk(b"LIST", b"adtl" + b"".join(names))


def _info(notes: WavNotes) -> bytes:
    entries = (
        (b"INAM", notes.title),
        (b"IART", notes.artist),
        (b"ICMT", notes.comment),
        (b"ICRD", notes.date),
        (b"ISFT", notes.software),
    )
    body = b"".join(_chunk(name, ascii_text(text).encode("ascii") + b"\0") for name, text in entries if text)
    return _chunk(b"LIST", b"INFO" + body) if body else b""
