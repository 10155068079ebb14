"""What the bytes say: which format a file really is, and whether it is all there.

libsndfile reads a WAV that was cut in half without a word, and a file name can lie; so the format is
recognised by content before a decoder sees it, and the declared length is compared with the bytes present.

Sources: RIFF (Microsoft/IBM 1991), RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088-1), AIFF 1.3,
FLAC (RFC 9639), Ogg (RFC 3533), CAF 1.0; MPEG audio in `daemon.decode.mpegaudio`.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

from daemon.decode.mpeg4 import is_adts, length_of_boxes, states_start
from daemon.decode.mpegaudio import Start, ends_inside_a_frame, first_frame, read_start

HEAD = 1 << 16
MAX_CHUNKS = 4096
MP3_SLACK = 4096  # bytes
READABLE = frozenset({"WAV", "RF64", "W64", "AIFF", "CAF", "AU", "FLAC", "OGG", "MP3", "M4A", "AAC"})

EXTENSIONS = {
    "WAV": ("wav", "wave", "bwf"),
    "RF64": ("wav", "rf64", "bwf"),
    "W64": ("w64", "wav"),
    "AIFF": ("aif", "aiff", "aifc"),
    "CAF": ("caf",),
    "AU": ("au", "snd"),
    "FLAC": ("flac",),
    "OGG": ("ogg", "oga", "opus"),
    "MP3": ("mp3",),
    "M4A": ("m4a", "mp4", "m4b", "alac"),
    "AAC": ("aac", "adts"),
}
ALL_EXTENSIONS = frozenset(extension for known in EXTENSIONS.values() for extension in known)
OTHER_AUDIO = frozenset({"wma", "wv", "ape", "ac3", "amr", "dsf", "mp2", "mka"})
AUDIO_NAMES = ALL_EXTENSIONS | OTHER_AUDIO  # extensions that promise audio, readable or not

_MAGIC: tuple[tuple[int, bytes, str], ...] = (  # offset, bytes, format
    (0, b"RF64", "RF64"),
    (0, b"BW64", "RF64"),
    (0, b"riff\x2e\x91\xcf\x11", "W64"),
    (0, b"caff", "CAF"),
    (0, b".snd", "AU"),
    (0, b"fLaC", "FLAC"),
    (0, b"OggS", "OGG"),
    (0, b"PK\x03\x04", "ZIP"),
    (0, b"PK\x05\x06", "ZIP"),
    (4, b"ftyp", "M4A"),
    (0, b"\x30\x26\xb2\x75", "a WMA file"),
    (0, b"MThd", "a MIDI file"),
    (0, b"%PDF", "a PDF document"),
    (0, b"Rar!", "a RAR archive"),
    (0, b"7z\xbc\xaf", "a 7z archive"),
    (0, b"\x1f\x8b", "a gzip archive"),
    (0, b"\x1a\x45\xdf\xa3", "a Matroska or WebM file"),
    (0, b"\x89PNG", "a picture"),
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"GIF8", "a picture"),
    (0, b"#!AMR", "a voice recording in AMR"),
    (0, b"MAC ", "a Monkey's Audio file"),
    (0, b"wvpk", "a WavPack file"),
    (0, b"\x7fELF", "a program"),
    (0, b"MZ", "a program"),
)
_FORM = {  # a container id and its type at byte 8
    (b"RIFF", b"WAVE"): "WAV",
    (b"RIFX", b"WAVE"): "WAV",
    (b"FORM", b"AIFF"): "AIFF",
    (b"FORM", b"AIFC"): "AIFF",
}


@dataclass(frozen=True, slots=True)
class Content:
    """What a file is by its bytes. ``format`` is in READABLE, "ZIP", or None for anything else."""

    format: str | None
    words: str  # "a WAV file", "a MIDI file", "text", "no known audio format"
    start: int = 0  # where the format begins: behind an ID3v2 tag


@dataclass(frozen=True, slots=True)
class Extent:
    """What the header declares against what is there; None where it does not say."""

    declared_bytes: int | None = None
    present_bytes: int | None = None
    declared_frames: int | None = None
    ended: bool = True  # False: an Ogg stream without its end mark, an MP3 that stops inside a frame
    start_known: bool = True  # False: an MP3 or AAC that does not state its encoder's delay
    states_length: bool = False  # an MP3 whose first frame counts the bytes that follow
    counts_frames: bool = True  # False: an MP3 whose first frame counts none; a decoder's length is a guess

    @property
    def missing_bytes(self) -> int:
        if self.declared_bytes is None or self.present_bytes is None:
            return 0
        return max(0, self.declared_bytes - self.present_bytes)


def recognise(file: BinaryIO) -> Content:
    """Say what a file is from its first bytes. Leaves the file at its first byte."""
    file.seek(0)
    head = file.read(HEAD)
    start = id3_length(head)
    if start:
        file.seek(start)
        head = file.read(HEAD)
    file.seek(0)
    return replace(_content(head), start=start)


def begins_a_format(head: bytes) -> bool:
    """Are these few bytes no more than the beginning of a known format's mark?"""
    marks = [magic for at, magic, _ in _MAGIC if at == 0 and len(magic) >= 4]
    marks += [b"ID3", *(form for form, _ in _FORM)]
    return len(head) < 12 and any(mark.startswith(head) or head.startswith(mark) for mark in marks)


def recognise_bytes(head: bytes) -> Content:
    """The same from the first bytes alone; behind a tag longer than those MP3 is presumed."""
    start = id3_length(head)
    if start >= len(head) > 0:
        return Content("MP3", "an MP3 file", start)
    return replace(_content(head[start:]), start=start)


def _content(body: bytes) -> Content:
    kind = "AAC" if is_adts(body) else _known(body)
    if kind is None and first_frame(body) is not None:
        kind = "MP3"
    if kind is None:
        return Content(None, _words_for_unknown(body))
    if kind in READABLE or kind == "ZIP":
        return Content(kind, f"{'an' if kind[0] in 'AMOR' else 'a'} {kind} file")
    return Content(None, kind)


def _known(body: bytes) -> str | None:
    form = _FORM.get((body[:4], body[8:12]))
    if form:
        return form
    return next((kind for at, magic, kind in _MAGIC if body[at : at + len(magic)] == magic), None)


def _words_for_unknown(body: bytes) -> str:
    if not body.strip(b"\0"):
        return "nothing but zero bytes"
    sample = body[:4096]
    if all(byte >= 32 or byte in b"\t\r\n" for byte in sample):
        return "text"
    return "no known audio format"


def id3_length(head: bytes) -> int:
    """Bytes taken by an ID3v2 tag at the start (0 when there is none)."""
    if head[:3] != b"ID3" or len(head) < 10 or any(byte & 0x80 for byte in head[6:10]):
        return 0
    size = head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9]
    return 10 + size + (10 if head[5] & 0x10 else 0)


def measure_extent(file: BinaryIO, content: Content, size: int) -> Extent:
    """Compare the declared length with the bytes present. Leaves the file at its first byte."""
    try:
        if content.format in ("WAV", "RF64", "AIFF"):
            return _chunked(file, size, content.start, b"SSND" if content.format == "AIFF" else b"data")
        if content.format == "W64":
            return _w64(file, size, content.start)
        if content.format == "CAF":
            return _caf(file, size, content.start)
        if content.format == "AU":
            return _au(file, size, content.start)
        if content.format == "FLAC":
            return _flac(file, content.start)
        if content.format == "OGG":
            return _ogg(file, size)
        if content.format == "MP3":
            return _mp3(file, content.start)
        if content.format in ("M4A", "AAC"):
            declared = length_of_boxes(file, size) if content.format == "M4A" else None
            return Extent(declared, size, start_known=states_start(file, content.format, size))
        return Extent()
    finally:
        file.seek(0)


def chunks(file: BinaryIO, start: int) -> Iterator[tuple[bytes, int, int]]:
    """Walk the chunks of a RIFF, RF64 or AIFF file: (id, position of its data, declared size)."""
    file.seek(start)
    order = ">I" if file.read(4) in (b"FORM", b"RIFX") else "<I"
    at = start + 12
    for _ in range(MAX_CHUNKS):
        file.seek(at)
        head = file.read(8)
        if len(head) < 8:
            return
        size = struct.unpack(order, head[4:])[0]
        yield head[:4], at + 8, size
        at += 8 + size + size % 2


def _chunked(file: BinaryIO, size: int, start: int, wanted: bytes) -> Extent:
    """The declared size of the audio data; 64 bits wide in a `ds64` chunk, 0 or all ones if unknown."""
    large: int | None = None
    for name, at, length in chunks(file, start):
        if name == b"ds64":
            file.seek(at)
            sizes = file.read(16)
            large = struct.unpack("<QQ", sizes)[1] if len(sizes) == 16 else None
        if name == wanted:
            declared = large if length == 0xFFFFFFFF else length or None
            return Extent(declared, max(0, size - at))
    return Extent()


def _w64(file: BinaryIO, size: int, start: int) -> Extent:
    """16-byte ids, 64-bit sizes that count their own 24 bytes, aligned to 8."""
    at = start + 40
    for _ in range(MAX_CHUNKS):
        file.seek(at)
        head = file.read(24)
        if len(head) < 24:
            break
        length = struct.unpack("<Q", head[16:])[0]
        if head[:4] == b"data":
            return Extent(max(0, length - 24), max(0, size - at - 24))
        if length < 24 or at + length > size:
            break
        at += (length + 7) // 8 * 8
    return Extent()


def _caf(file: BinaryIO, size: int, start: int) -> Extent:
    """64-bit sizes; -1 for audio up to the end of the file (Core Audio Format 1.0)."""
    at = start + 8
    for _ in range(MAX_CHUNKS):
        file.seek(at)
        head = file.read(12)
        if len(head) < 12:
            break
        length = struct.unpack(">q", head[4:])[0]
        if head[:4] == b"data":
            return Extent(length if length >= 0 else None, max(0, size - at - 12))
        if length < 0 or at + 12 + length > size:
            break
        at += 12 + length
    return Extent()


def _au(file: BinaryIO, size: int, start: int) -> Extent:
    file.seek(start + 4)
    head = file.read(8)
    if len(head) < 8:
        return Extent()
    offset, declared = struct.unpack(">II", head)
    return Extent(None if declared == 0xFFFFFFFF else declared, max(0, size - start - offset))


def _flac(file: BinaryIO, start: int) -> Extent:
    file.seek(start + 8)
    info = file.read(34)
    if len(info) < 18:
        return Extent()
    frames = int.from_bytes(info[10:18], "big") & 0xFFFFFFFFF
    return Extent(declared_frames=frames or None)


def _ogg(file: BinaryIO, size: int) -> Extent:
    """The last page of a whole stream carries the end-of-stream flag and is all there (RFC 3533)."""
    file.seek(max(0, size - 2 * HEAD))
    tail = file.read(2 * HEAD)
    last = tail.rfind(b"OggS\0")
    if last < 0 or last + 27 > len(tail) or not tail[last + 5] & 4:
        return Extent(ended=False)
    lengths = tail[last + 27 : last + 27 + tail[last + 26]]
    return Extent(ended=last + 27 + tail[last + 26] + sum(lengths) <= len(tail))


def _mp3(file: BinaryIO, start: int) -> Extent:
    file.seek(start)
    found = read_start(file.read(HEAD)) or Start(0, None, False, False)
    size = file.seek(0, 2)
    if found.declared_bytes is None:
        file.seek(max(start, size - HEAD))
        ended = not ends_inside_a_frame(file.read(HEAD))
        return Extent(ended=ended, start_known=found.delay_known, counts_frames=found.counts_frames)
    present = size - start - found.at
    short = found.declared_bytes - present > MP3_SLACK  # encoders do not agree on what they count
    return Extent(
        found.declared_bytes if short else None,
        present,
        start_known=found.delay_known,
        states_length=present >= found.declared_bytes - 2 * 1441,  # two of the longest frames
        counts_frames=found.counts_frames,
    )
