"""Does a file end where its format says that it ends? Asked of files that may still be growing.

Cheap: the header, the places it points to, and the last bytes; never the whole file. Each format is asked
for what only a finished file has: the declared length of audio (WAV, AIFF, AU, W64, CAF, MP3 with a length),
the last sample that the header promises (FLAC), the end mark (Ogg), the directory at the end (zip), all
top-level boxes (M4A). An MP3 without a length, AAC in a row of frames and a FLAC of unknown length
cannot prove that nothing follows; they show only whether the last frame is whole.

Sources: those of `daemon.decode.headers`; PKWARE APPNOTE 6.3.10, 4.3.16; ID3v1 and APEv2 tags behind the
audio (common practice).
"""

from __future__ import annotations

import struct
from enum import StrEnum
from typing import BinaryIO

from daemon.decode.checksums import last_page_is_sound
from daemon.decode.flacframes import LARGEST_FRAME, StreamInfo, last_sample
from daemon.decode.headers import HEAD, Content, begins_a_format, measure_extent, recognise
from daemon.decode.mpeg4 import adts_frame, is_complete
from daemon.decode.mpegaudio import ends_with_whole_frames, mpeg_frame

ZEROS = 4096  # so many at the end of a file are no chance
PCM = frozenset({"WAV", "RF64", "W64", "AIFF", "CAF", "AU"})


class Ending(StrEnum):
    WHOLE = "whole"  # its own end is there (or nothing is known of the format)
    OPEN = "open"  # the format does not say where it ends; what is there ends well
    ZEROS = "zeros"  # as long as declared, but it ends in zeros: silence, or space reserved for more
    SHORT = "short"  # the format promises more than is there


def ending_of(file: BinaryIO) -> Ending:
    """How an open file ends. Leaves it at any place. Raises OSError."""
    size = file.seek(0, 2)
    file.seek(0)
    head = file.read(HEAD)
    if size == 0 or not head.strip(b"\0") or begins_a_format(head):
        return Ending.SHORT
    content = recognise(file)
    if content.start >= size:
        return Ending.SHORT
    zeros = _ends_in_zeros(file, size)
    if content.format in PCM:
        found = _declared(file, content, size)
        return Ending.ZEROS if zeros and found is not Ending.SHORT else found
    if content.format is None:
        return Ending.SHORT if zeros or _first_frame_is_cut(file, content.start) else Ending.WHOLE
    if zeros:
        return Ending.SHORT
    end = size - _tag_length(file, size)
    match content.format:
        case "FLAC":
            return _flac(file, content.start, end)
        case "MP3":
            return _mp3(file, content, end)
        case "M4A":
            return Ending.WHOLE if is_complete(file, size) else Ending.SHORT
        case "AAC":
            tail = _tail(file, end, HEAD)
            return Ending.OPEN if ends_with_whole_frames(tail, adts_frame) else Ending.SHORT
        case "OGG":
            ended = measure_extent(file, content, size).ended and last_page_is_sound(_tail(file, size, HEAD))
            return Ending.WHOLE if ended else Ending.SHORT
        case _:
            return _zip(file, size)


def _ends_in_zeros(file: BinaryIO, size: int) -> bool:
    file.seek(max(0, size - ZEROS))
    return not any(file.read(ZEROS))


def _declared(file: BinaryIO, content: Content, size: int) -> Ending:
    """Formats that declare their length in the header."""
    extent = measure_extent(file, content, size)
    if extent.present_bytes is None or extent.missing_bytes or _form_is_short(file, content, size):
        return Ending.SHORT
    return Ending.OPEN if extent.declared_bytes is None else Ending.WHOLE


def _form_is_short(file: BinaryIO, content: Content, size: int) -> bool:
    """Are chunks promised behind the audio that are not there?"""
    if content.format not in ("WAV", "AIFF"):
        return False
    file.seek(content.start)
    head = file.read(8)
    declared = int.from_bytes(head[4:], "big" if head[:4] in (b"FORM", b"RIFX") else "little")
    return declared != 0xFFFFFFFF and content.start + 8 + declared > size + declared % 2


def _tag_length(file: BinaryIO, size: int) -> int:
    """Bytes of ID3v1 and APEv2 tags at the end."""
    file.seek(max(0, size - 128))
    length = 128 if size >= 128 and file.read(3) == b"TAG" else 0
    file.seek(max(0, size - length - 32))
    footer = file.read(32)
    if footer[:8] == b"APETAGEX" and len(footer) == 32:
        tag, flags = struct.unpack("<I4xI", footer[12:24])
        length += tag + (32 if flags & 0x80000000 else 0)
    return length if length < size else 0


def _tail(file: BinaryIO, end: int, length: int) -> bytes:
    file.seek(max(0, end - length))
    return file.read(min(length, end))


def _flac(file: BinaryIO, start: int, end: int) -> Ending:
    file.seek(start + 8)
    info = StreamInfo.of(file.read(34))
    if info is None:
        return Ending.SHORT
    most = min(info.largest_frame or LARGEST_FRAME, 8 * LARGEST_FRAME)
    reached = last_sample(_tail(file, end, most), info)
    if reached is None or reached < info.total:
        return Ending.SHORT
    return Ending.WHOLE if info.total else Ending.OPEN


def _mp3(file: BinaryIO, content: Content, end: int) -> Ending:
    if not ends_with_whole_frames(_tail(file, end, HEAD), mpeg_frame):
        return Ending.SHORT
    extent = measure_extent(file, content, end)
    if extent.missing_bytes:
        return Ending.SHORT
    return Ending.WHOLE if extent.states_length else Ending.OPEN


def _first_frame_is_cut(file: BinaryIO, start: int) -> bool:
    """MPEG audio is recognised by two frames in a row; fewer bytes are unknown."""
    file.seek(start)
    head = file.read(4096)
    frame = mpeg_frame(head)
    return frame is not None and frame.length + 4 > len(head)


def _zip(file: BinaryIO, size: int) -> Ending:
    """The end record, its comment to the last byte, and the directory where it says."""
    tail = _tail(file, size, 65557 + 20)
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or at + 22 > len(tail):
        return Ending.SHORT
    length, offset, comment = struct.unpack("<IIH", tail[at + 12 : at + 22])
    if at + 22 + comment > len(tail):
        return Ending.SHORT
    if 0xFFFFFFFF in (length, offset):
        return Ending.WHOLE if b"PK\x06\x07" in tail[:at] else Ending.SHORT
    file.seek(offset)
    there = length == 0 or file.read(4) == b"PK\x01\x02" or offset + length < size - len(tail) + at
    return Ending.WHOLE if there else Ending.SHORT
