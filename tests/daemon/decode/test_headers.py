"""Formats are recognised from bytes; declared and present lengths are compared."""

from __future__ import annotations

import io

import pytest

from daemon.decode.headers import id3_length, measure_extent, recognise
from tests.daemon.make_audio import file_bytes, noise, patched, wav_claiming, without_delay_tag

ID3_HEAD = b"ID3\x03\0\0"


def content_of(data: bytes):
    return recognise(io.BytesIO(data))


def extent_of(data: bytes):
    return measure_extent(io.BytesIO(data), content_of(data), len(data))


@pytest.mark.parametrize(
    ("form", "subtype", "wanted"),
    [
        ("WAV", "PCM_16", "WAV"),
        ("WAVEX", "FLOAT", "WAV"),
        ("RF64", "PCM_24", "RF64"),
        ("W64", "PCM_16", "W64"),
        ("AIFF", "PCM_24", "AIFF"),
        ("AIFF", "FLOAT", "AIFF"),
        ("CAF", "PCM_16", "CAF"),
        ("AU", "PCM_16", "AU"),
        ("FLAC", "PCM_16", "FLAC"),
        ("OGG", "VORBIS", "OGG"),
        ("MP3", "MPEG_LAYER_III", "MP3"),
    ],
)
def test_recognised_from_content(form, subtype, wanted):
    data = file_bytes(noise(0.5), format=form, subtype=subtype)

    assert content_of(data).format == wanted
    assert extent_of(data).missing_bytes == 0
    assert extent_of(data).ended


@pytest.mark.parametrize("size", [10, 5000, 200_000])
def test_format_behind_a_large_tag(size):
    """A tag with a cover picture can be larger than any look-ahead."""
    length = bytes([size >> 21 & 127, size >> 14 & 127, size >> 7 & 127, size & 127])
    tag = ID3_HEAD + length + b"\xff\xfb\x90\x64" * (size // 4) + b"\0" * (size % 4)
    for form, subtype in (("MP3", "MPEG_LAYER_III"), ("FLAC", "PCM_16")):
        found = content_of(tag + file_bytes(noise(0.5), format=form, subtype=subtype))
        assert (found.format, found.start) == (form, size + 10)


def test_id3_length_is_synchsafe():
    """ID3v2.4 structure, 3.1: four times 7 bits; a footer adds 10 bytes."""
    assert id3_length(ID3_HEAD + b"\0\0\x02\x01") == 10 + 257
    assert id3_length(b"ID3\x04\0\x10\0\0\x02\x01") == 20 + 257
    assert id3_length(ID3_HEAD + b"\0\0\x82\x01") == 0
    assert id3_length(b"ID") == 0


def test_mp3_delay_tag():
    data = file_bytes(noise(2), format="MP3", subtype="MPEG_LAYER_III")
    tag = max(data.find(b"Xing"), data.find(b"Info"))
    lame = data.find(b"LAME", tag)

    assert extent_of(data).start_known
    assert not extent_of(without_delay_tag(data)).start_known
    assert not extent_of(patched(data, lame + 21, b"\0\0\0")).start_known
    assert extent_of(patched(data, lame, b"Lavc60.31")).start_known  # by position, not by name


@pytest.mark.parametrize(("claim", "declared"), [(0, None), (0xFFFFFFFF, None), (2**31, 2**31)])
def test_wav_lengths(claim, declared):
    data = wav_claiming(file_bytes(noise(0.5)), claim)

    assert extent_of(data).declared_bytes == declared


def test_chunks_without_end_terminate():
    assert extent_of(b"RIFF\xff\xff\xff\xffWAVE" + b"junk\0\0\0\0" * 20_000).declared_bytes is None
