"""Tags made by hand after their standards: ID3v2 (id3.org), Vorbis comments, Ogg pages (RFC 3533)."""

from __future__ import annotations


def id3(version: int, **frames: bytes) -> bytes:
    body = b""
    for name, content in frames.items():
        size = len(content)
        if version == 2:
            body += name.encode() + size.to_bytes(3, "big") + content
        else:
            raw = bytes([size >> 21 & 127, size >> 14 & 127, size >> 7 & 127, size & 127])
            body += name.encode() + (raw if version == 4 else size.to_bytes(4, "big")) + b"\0\0" + content
    size = len(body)
    return (
        b"ID3"
        + bytes([version, 0, 0, size >> 21 & 127, size >> 14 & 127, size >> 7 & 127, size & 127])
        + body
    )


def comments(*items: str) -> bytes:
    vendor = b"test"
    out = len(vendor).to_bytes(4, "little") + vendor + len(items).to_bytes(4, "little")
    return out + b"".join(len(item.encode()).to_bytes(4, "little") + item.encode() for item in items)


def with_tag(data: bytes, form: str) -> bytes:
    """The same file with our own tag where the format puts it."""
    tag = id3(3, TBPM=b"\x00140", TKEY=b"\0Ebm")
    if form == "MP3":
        return tag + data
    if form == "FLAC":  # an application block of the right type behind STREAMINFO
        block = comments("BPM=140", "KEY=Ebm")
        return data[:42] + b"\x04" + len(block).to_bytes(3, "big") + block + data[42:]
    chunk = tag + b"\0" * (len(tag) % 2)
    name, order = (b"id3 ", "little") if form in ("WAV", "RF64") else (b"ID3 ", "big")
    return data[:12] + name + len(chunk).to_bytes(4, order) + chunk + data[12:]


def ogg_pages(packet: bytes) -> bytes:
    """A first page with an identification packet, then `packet` over as many pages as it takes (RFC 3533)."""
    first = b"\x01vorbis" + b"\0" * 23
    out = b"OggS\0\2" + b"\0" * 20 + bytes([1, len(first)]) + first
    lacing = [255] * (len(packet) // 255) + [len(packet) % 255]
    for at in range(0, len(lacing), 255):
        part = lacing[at : at + 255]
        body = packet[at * 255 : at * 255 + sum(part)]
        out += b"OggS\0\0" + b"\0" * 20 + bytes([len(part), *part]) + body
    return out
