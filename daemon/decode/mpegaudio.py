"""MPEG audio frames: find the first one, and what it says about the whole stream.

Sources: ISO/IEC 11172-3 and 13818-3 (frame header, bit rates). The layout of the first frame's tag
and its delay extension is common practice of encoders: 9 bytes of encoder name, and 21 bytes after
its start 12 bits of encoder delay and 12 bits of end padding; read by position, not by name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

_BITRATES = {  # kbit/s by index 1..14; key: MPEG-1?, layer
    (True, 1): (32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    (True, 2): (32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    (True, 3): (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (False, 1): (32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    (False, 2): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    (False, 3): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_RATES = {3: (44100, 48000, 32000), 2: (22050, 24000, 16000), 0: (11025, 12000, 8000)}


@dataclass(frozen=True, slots=True)
class MpegFrame:
    """One MPEG audio frame header."""

    layer: int
    mpeg1: bool
    rate: int
    mono: bool
    length: int  # bytes, header included

    @property
    def side_info(self) -> int:
        """Bytes between the header and the data of a layer III frame."""
        return (17 if self.mono else 32) if self.mpeg1 else (9 if self.mono else 17)


@dataclass(frozen=True, slots=True)
class Start:
    """What the first frame of an MP3 says."""

    at: int  # its position in bytes
    declared_bytes: int | None  # of the stream from there
    delay_known: bool  # the encoder's delay is stated, and the decoder removes it
    counts_frames: bool  # the length is stated


def mpeg_frame(data: bytes, at: int = 0) -> MpegFrame | None:
    """Parse an MPEG audio frame header; None when there is none (or a free-format one)."""
    if at + 4 > len(data) or data[at] != 0xFF or data[at + 1] & 0xE0 != 0xE0:
        return None
    version, layer_bits = data[at + 1] >> 3 & 3, data[at + 1] >> 1 & 3
    rate_index, bitrate_index = data[at + 2] >> 2 & 3, data[at + 2] >> 4
    if version == 1 or layer_bits == 0 or rate_index == 3 or bitrate_index in (0, 15):
        return None
    layer, mpeg1 = 4 - layer_bits, version == 3
    rate = _RATES[version][rate_index]
    bits = _BITRATES[mpeg1, layer][bitrate_index - 1] * 1000
    padding = data[at + 2] >> 1 & 1
    if layer == 1:
        length = (12 * bits // rate + padding) * 4
    else:
        length = (72 if layer == 3 and not mpeg1 else 144) * bits // rate + padding
    return MpegFrame(layer, mpeg1, rate, data[at + 3] >> 6 == 3, length)


def first_frame(body: bytes) -> int | None:
    """Position of the first frame that is followed by a second one where it says."""
    at = body.find(b"\xff")
    while at >= 0:
        frame = mpeg_frame(body, at)
        if frame:
            following = mpeg_frame(body, at + frame.length)
            if following and (following.layer, following.rate) == (frame.layer, frame.rate):
                return at
        at = body.find(b"\xff", at + 1)
    return None


class Frame(Protocol):
    """A frame of known length."""

    @property
    def length(self) -> int: ...


FEW_FRAMES = 3  # in a row are no chance


def ends_with_whole_frames(tail: bytes, frame_at: Callable[[bytes, int], Frame | None]) -> bool:
    """Does a row of frames end exactly where `tail` (the last bytes of a stream) ends?"""
    return _row_end(tail, frame_at) == len(tail)


def ends_inside_a_frame(tail: bytes) -> bool:
    """Does the last of a row of MPEG frames promise more bytes than `tail` has?"""
    end = _row_end(tail, mpeg_frame)
    return end is not None and end > len(tail)


def _row_end(tail: bytes, frame_at: Callable[[bytes, int], Frame | None]) -> int | None:
    """Where the row of frames that reaches the last bytes of `tail` ends, perhaps behind them; None: no row.

    `frame_at` parses a frame header at a place. A short stream may be a row of fewer frames.
    """
    start = tail.find(b"\xff")
    while start >= 0:
        at, count = start, 0
        while at < len(tail) and (frame := frame_at(tail, at)) is not None:
            at, count = at + frame.length, count + 1
        if count >= FEW_FRAMES and at >= len(tail) - 3:  # up to three bytes cannot show the next header
            return at
        start = tail.find(b"\xff", start + 1)
    return None


def read_start(body: bytes) -> Start | None:
    """What the first layer III frame of `body` says; None when there is no such frame."""
    at = first_frame(body)
    frame = mpeg_frame(body, at) if at is not None else None
    if at is None or frame is None or frame.layer != 3:
        return None
    tag = at + 4 + frame.side_info
    if body[tag : tag + 4] not in (b"Xing", b"Info"):
        return Start(at, None, False, False)
    flags = int.from_bytes(body[tag + 4 : tag + 8], "big")
    at_bytes = tag + 8 + (4 if flags & 1 else 0)
    declared = int.from_bytes(body[at_bytes : at_bytes + 4], "big") if flags & 2 else 0
    extension = at_bytes + (4 if flags & 2 else 0) + (100 if flags & 4 else 0) + (4 if flags & 8 else 0)
    delays = int.from_bytes(body[extension + 21 : extension + 24], "big")
    return Start(at, declared or None, delays != 0, bool(flags & 1))
