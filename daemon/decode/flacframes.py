"""The last frame of a FLAC stream: is it whole, and which sample does it end on?

A frame carries its own number and two check sums, so the end of a file answers alone. Source: RFC 9639,
8.2 (streaminfo) and 9.1 to 9.3 (frame header, coded number, check sums).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from daemon.decode.checksums import crc8, crc16

SYNC = re.compile(rb"\xff[\xf8\xf9]")  # begins a frame; in what is packed 1 of 32,000 bytes does by chance
MOST_PLACES = 1024  # of the tail that look so
MOST_SUMS = 8  # of these with a sound header, one in 256 by chance
LARGEST_FRAME = 1 << 17  # bytes looked at when the header does not say


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """What the first block says; 0 where it does not."""

    largest_block: int  # samples
    largest_frame: int  # bytes
    total: int  # samples

    @classmethod
    def of(cls, block: bytes) -> StreamInfo | None:
        """From the 34 bytes of the block; None when there are fewer."""
        if len(block) < 34:
            return None
        total = int.from_bytes(block[10:18], "big") & 0xFFFFFFFFF
        return cls(int.from_bytes(block[2:4], "big"), int.from_bytes(block[7:10], "big"), total)


def last_sample(tail: bytes, info: StreamInfo) -> int | None:
    """Samples up to the end of the last frame in `tail`, which ends the file; None when that frame is cut."""
    places = [found.start() for found in SYNC.finditer(tail)][-MOST_PLACES:]
    headers = [(at, end) for at in places if (end := _header(tail[at : at + 16], info)) is not None]
    for at, end in reversed(headers[-MOST_SUMS:]):
        if crc16(tail[at:]) == 0:  # the check sum behind the frame makes it 0
            return end
    return None


def _header(head: bytes, info: StreamInfo) -> int | None:
    """The sample that the frame ends on; None when what a `SYNC` begins is no frame header."""
    if len(head) < 6 or head[3] & 1:
        return None
    number, length = _coded_number(head[4:11])
    size_code, rate_code = head[2] >> 4, head[2] & 15
    at = 4 + length
    extra = {6: 1, 7: 2}.get(size_code, 0)
    end = at + extra + {12: 1, 13: 2, 14: 2}.get(rate_code, 0)
    if not length or size_code == 0 or rate_code == 15 or end >= len(head) or crc8(head[: end + 1]):
        return None
    if size_code == 1:
        block = 192
    elif size_code < 6:
        block = 576 << (size_code - 2)
    elif extra:
        block = int.from_bytes(head[at : at + extra], "big") + 1
    else:
        block = 256 << (size_code - 8)
    return number + block if head[1] & 1 else number * info.largest_block + block


def _coded_number(data: bytes) -> tuple[int, int]:
    """(value, bytes) of a number coded like UTF-8, up to 36 bits; no bytes when it is none."""
    ones = 8 - (data[0] ^ 0xFF).bit_length()
    if ones == 0:
        return data[0], 1
    if ones in (1, 8) or len(data) < ones:
        return 0, 0
    value = data[0] & (0x7F >> ones)
    for byte in data[1:ones]:
        if byte & 0xC0 != 0x80:
            return 0, 0
        value = value << 6 | byte & 0x3F
    return value, ones
