"""Check sums of the last frame or page of a stream.

All without reflection and started at 0. Sources: RFC 9639, 9.1.8 (CRC-8, x^8+x^2+x+1) and 9.3 (CRC-16,
x^16+x^15+x^2+1); RFC 3533, 6 (Ogg pages, polynomial 0x04c11db7, taken with the field itself as zeros).
"""

from __future__ import annotations


def _table(polynomial: int, bits: int) -> tuple[int, ...]:
    high, mask = 1 << (bits - 1), (1 << bits) - 1
    table = []
    for value in range(256):
        crc = value << (bits - 8)
        for _ in range(8):
            crc = (crc << 1 ^ polynomial if crc & high else crc << 1) & mask
        table.append(crc)
    return tuple(table)


_CRC8, _CRC16, _CRC32 = _table(0x07, 8), _table(0x8005, 16), _table(0x04C11DB7, 32)


def crc8(data: bytes) -> int:
    crc = 0
    for byte in data:
        crc = _CRC8[crc ^ byte]
    return crc


def crc16(data: bytes) -> int:
    crc = 0
    for byte in data:
        crc = (crc << 8 & 0xFFFF) ^ _CRC16[crc >> 8 ^ byte]
    return crc


def _crc32(data: bytes) -> int:
    crc = 0
    for byte in data:
        crc = (crc << 8 & 0xFFFFFFFF) ^ _CRC32[crc >> 24 ^ byte]
    return crc


def last_page_is_sound(tail: bytes) -> bool:
    """Does the last Ogg page in `tail` have the check sum that it states?"""
    at = tail.rfind(b"OggS\0")
    if at < 0 or at + 27 > len(tail):
        return False
    segments = tail[at + 27 : at + 27 + tail[at + 26]]
    page = tail[at : at + 27 + len(segments) + sum(segments)]
    return _crc32(page[:22] + bytes(4) + page[26:]) == int.from_bytes(page[22:26], "little")
