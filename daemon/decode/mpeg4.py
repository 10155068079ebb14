"""MPEG-4 containers and AAC in a row of frames: how long, and whether they state where sound begins.

Sources: ISO/IEC 14496-12 (boxes, edit lists), 14496-3 and 13818-7 (ADTS frame header). The gapless tag and
the encoder's name in the first frame of a bare stream are common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

MOST_BOXES = 4096
MOST_INDEX_BYTES = 16 << 20  # of the box that describes the sound
STATED = (b"elst", b"iTunSMPB")  # an edit list, a gapless tag
ONE_FRAME_ENCODER = b"Lavc"  # known to put exactly one frame in front


@dataclass(frozen=True, slots=True)
class AdtsFrame:
    length: int  # bytes, header included


def adts_frame(data: bytes, at: int = 0) -> AdtsFrame | None:
    """Parse an ADTS header; None when there is none."""
    if at + 7 > len(data) or data[at] != 0xFF or data[at + 1] & 0xF6 != 0xF0:
        return None
    length = (data[at + 3] & 3) << 11 | data[at + 4] << 3 | data[at + 5] >> 5
    rate_index = data[at + 2] >> 2 & 15
    return AdtsFrame(length) if length > 7 and rate_index < 13 else None


def is_adts(body: bytes) -> bool:
    """Does it begin with three frames in a row, or with nothing but fewer ones?"""
    at, count = 0, 0
    while count < 3 and (frame := adts_frame(body, at)):
        at, count = at + frame.length, count + 1
    return count == 3 or (count > 0 and at >= len(body))


def boxes(file: BinaryIO, size: int) -> Iterator[tuple[bytes, int, int]]:
    """(name, place, length with its header) of the boxes of the top level; a length of 0 is up to the end."""
    at = 0
    for _ in range(MOST_BOXES):
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            if head:
                yield b"", at, 8
            return
        length = int.from_bytes(head[:4], "big")
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        length = length or size - at
        if length < 8:
            return
        yield head[4:8], at, length
        at += length
        if at >= size:
            return


def length_of_boxes(file: BinaryIO, size: int) -> int | None:
    """Bytes up to the end of the last box; None when there is none."""
    return max((at + length for _, at, length in boxes(file, size)), default=None)


def states_start(file: BinaryIO, form: str, size: int) -> bool:
    """Does the file say how many samples at its start are the encoder's own?"""
    if form == "AAC":
        file.seek(0)
        head = file.read(512)
        return ONE_FRAME_ENCODER in head
    for name, at, length in boxes(file, size):
        if name == b"moov":
            file.seek(at)
            index = file.read(min(length, MOST_INDEX_BYTES))
            return any(mark in index for mark in STATED) or b"mp4a" not in index
    return True


def is_complete(file: BinaryIO, size: int) -> bool:
    """Are all boxes there to their ends, the description and the sound among them?"""
    found = list(boxes(file, size))
    names = {name for name, _, _ in found}
    return {b"moov", b"mdat"} <= names and all(at + length <= size for _, at, length in found)
