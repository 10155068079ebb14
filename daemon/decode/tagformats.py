"""Read the tags that libsndfile does not hand out: ID3v2 text frames and Vorbis comments.

Sources: ID3v2.3/2.4 (id3.org), Vorbis I comment header, FLAC (RFC 9639), Ogg (RFC 3533), RIFF and
AIFF chunks ("id3 ", "ID3 ": habit). Everything is bounded: at most `MAX_TAG_BYTES` are looked at,
and what does not parse is left out without a word.

Read here rather than by a general library because the work is to be bounded too, not only the
bytes: a tag of 64 kB with thousands of values must not hold the service up.
"""

from __future__ import annotations

import struct
from typing import BinaryIO

from daemon.decode.headers import Content, chunks, id3_length

MAX_TAG_BYTES = 1 << 20
MAX_ITEMS = 64
ID3_NAMES = {"TIT2": "title", "TPE1": "artist", "TBPM": "TBPM", "TKEY": "TKEY"}
ID3_NAMES_22 = {"TT2": "title", "TP1": "artist", "TBP": "TBPM", "TKE": "TKEY"}
COMMENT_NAMES = {"bpm": "BPM", "tempo": "TEMPO", "key": "KEY", "initialkey": "INITIALKEY"}
ENCODINGS = ("latin-1", "utf-16", "utf-16-be", "utf-8")


def read_tags(file: BinaryIO, content: Content) -> dict[str, str]:
    """Tempo, key, title and artist tags of an open file, as found. Leaves it at its first byte."""
    try:
        file.seek(0)
        tags = id3_frames(file.read(min(content.start, MAX_TAG_BYTES)))
        if content.format in ("WAV", "RF64", "AIFF"):
            tags |= _id3_chunk(file, content)
        elif content.format == "FLAC":
            tags |= _flac_comments(file, content.start)
        elif content.format == "OGG":
            tags |= _ogg_comments(file)
        return tags
    finally:
        file.seek(0)


def id3_frames(data: bytes) -> dict[str, str]:
    """Text frames of an ID3v2.2, 2.3 or 2.4 tag. Unsynchronised or compressed frames are left out."""
    if not id3_length(data) or data[5] & 0x80:
        return {}
    version, end = data[3], min(len(data), id3_length(data))
    short = version == 2
    names, head = (ID3_NAMES_22, 6) if short else (ID3_NAMES, 10)
    at = 10
    found: dict[str, str] = {}
    if data[5] & 0x40 and not short:  # an extended header: its size is its own in 2.4, without itself in 2.3
        size = int.from_bytes(data[10:14], "big") if version == 3 else _synchsafe(data[10:14])
        at += size + (4 if version == 3 else 0)
    while at + head <= end and len(found) < MAX_ITEMS and data[at] != 0:
        code_end = at + (3 if short else 4)
        code, raw = data[at:code_end].decode("latin-1"), data[code_end : code_end + (3 if short else 4)]
        size = _synchsafe(raw) if version == 4 else int.from_bytes(raw, "big")
        body = data[at + head : at + head + size]
        if code in names and body and (short or not data[at + 9]):
            found[names[code]] = _id3_text(body)
        at += head + size
    return {name: text for name, text in found.items() if text}


def _synchsafe(raw: bytes) -> int:
    value = 0
    for byte in raw:
        value = value << 7 | byte & 0x7F
    return value


def _id3_text(body: bytes) -> str:
    encoding = ENCODINGS[body[0]] if body[0] < len(ENCODINGS) else "latin-1"
    return body[1:4001].decode(encoding, errors="replace").split("\0")[0].strip()


def _id3_chunk(file: BinaryIO, content: Content) -> dict[str, str]:
    for name, at, size in chunks(file, content.start):
        if name in (b"id3 ", b"ID3 "):
            file.seek(at)
            return id3_frames(file.read(min(size, MAX_TAG_BYTES)))
    return {}


def _flac_comments(file: BinaryIO, start: int) -> dict[str, str]:
    at = start + 4
    for _ in range(MAX_ITEMS):
        file.seek(at)
        head = file.read(4)
        if len(head) < 4:
            break
        size = int.from_bytes(head[1:], "big")
        if head[0] & 0x7F == 4:
            return vorbis_comments(file.read(min(size, MAX_TAG_BYTES)))
        if head[0] & 0x80:
            break
        at += 4 + size
    return {}


def _ogg_comments(file: BinaryIO) -> dict[str, str]:
    """Comments are the second packet; it may run over several pages."""
    packet = b""
    for number in range(MAX_ITEMS):
        head = file.read(27)
        if len(head) < 27 or head[:4] != b"OggS":
            break
        lacing = file.read(head[26])
        body = file.read(sum(lacing))
        if number == 0:
            continue  # the first page holds the first packet alone
        for length in lacing:
            packet, body = packet + body[:length], body[length:]
            if length < 255:
                start = 8 if packet[:8] == b"OpusTags" else 7
                return vorbis_comments(packet[start:])
        if len(packet) > MAX_TAG_BYTES:
            break
    return {}


def vorbis_comments(data: bytes) -> dict[str, str]:
    """Tempo and key comments of a Vorbis comment block (libsndfile hands out the rest)."""
    found: dict[str, str] = {}
    try:
        at = 4 + struct.unpack_from("<I", data, 0)[0]
        count = struct.unpack_from("<I", data, at)[0]
        at += 4
        for _ in range(min(count, MAX_ITEMS)):
            size = struct.unpack_from("<I", data, at)[0]
            name, _equals, text = (
                data[at + 4 : at + 4 + size].decode("utf-8", errors="replace").partition("=")
            )
            if name.lower() in COMMENT_NAMES:
                found[COMMENT_NAMES[name.lower()]] = text
            at += 4 + size
    except struct.error:
        pass  # cut off: what was found before counts
    return found
