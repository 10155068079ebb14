"""Is a file whole by its own bytes? Asked of every format, cut and reserved at every kind of place.

Outside sources: libsndfile writes the files; RFC 9639 (FLAC), RFC 3533 (Ogg), PKWARE APPNOTE 6.3.10 (zip)
and ISO/IEC 11172-3 (MPEG audio) say what the end of each looks like.
"""

from __future__ import annotations

import io
import random
import struct
import time

import pytest
import soundfile as sf

from daemon.decode.checksums import crc8, crc16
from daemon.decode.endings import Ending, ending_of
from tests.daemon.make_audio import file_bytes, flac_claiming, noise, patched, without_delay_tag
from tests.faults.fuzz_decode import healthy, zipped

FILES = healthy()
PCM = tuple(name for name in FILES if name.startswith(("WAV", "RF64", "W64", "AIFF", "CAF", "AU")))
RATE = 44100


def ending(data: bytes) -> Ending:
    return ending_of(io.BytesIO(data))


@pytest.mark.parametrize("name", FILES)
def test_a_whole_file_is_whole(name: str) -> None:
    assert ending(FILES[name]) is (Ending.OPEN if name == "AAC.aac" else Ending.WHOLE)


@pytest.mark.parametrize("name", FILES)
def test_cut_anywhere_it_is_not_whole(name: str) -> None:
    """Not even at the end of a frame or page: there all formats but one still promise more."""
    data, rng = FILES[name], random.Random(name)
    slack = 2 * 1441 if name.endswith("mp3") else 0  # encoders do not agree on what they count
    cuts = [rng.randrange(1, len(data) - slack) for _ in range(150)]

    allowed = {Ending.SHORT, Ending.OPEN} if name == "AAC.aac" else {Ending.SHORT}
    assert Ending.SHORT in {ending(data[:cut]) for cut in cuts} <= allowed


@pytest.mark.parametrize("name", FILES)
def test_space_reserved_first_is_not_whole(name: str) -> None:
    data, rng = FILES[name], random.Random(name)
    written = [rng.randrange(len(data) - 4096 - 1) for _ in range(60)]
    found = {ending(data[:part] + bytes(len(data) - part)) for part in written}

    assert found <= ({Ending.ZEROS, Ending.SHORT} if name in PCM else {Ending.SHORT})


def test_a_flac_says_by_its_frames_what_its_header_cannot() -> None:
    """RFC 9639, 8.2: a total of 0 samples means unknown."""
    data = file_bytes(noise(1.0), format="FLAC")
    unknown = flac_claiming(data, 0)

    assert ending(unknown) is Ending.OPEN
    assert ending(unknown[:-1]) is Ending.SHORT
    assert ending(flac_claiming(data, RATE + 1)) is Ending.SHORT
    assert ending(data + b"TAG" + bytes(125)) is Ending.WHOLE  # an ID3v1 tag behind it


@pytest.mark.parametrize("seed", range(3))
def test_the_last_frame_of_a_flac_may_be_large(seed: int) -> None:
    """Loud noise of 24 bits hardly packs: 24 kB, of which many begin as a sync code does."""
    rows = 8 * 4096  # whole frames
    data = file_bytes(noise(1.0, seed=seed, level=0.3)[:rows], format="FLAC", subtype="PCM_24")

    assert data[-20_000:].count(b"\xff") > 64
    assert ending(data) is Ending.WHOLE
    assert ending(data[:-1]) is Ending.SHORT


def test_what_is_full_of_frame_headers_costs_no_time() -> None:
    data = file_bytes(noise(1.0, level=0.3), format="FLAC", subtype="PCM_24")
    first = data.index(b"\xff\xf8")
    hostile = bytearray(data[:first] + data[first : first + 12] * 100_000)
    hostile[4 + 4 + 7 : 4 + 4 + 10] = b"\xff\xff\xff"  # the largest frame that can be claimed
    begun = time.process_time()

    assert ending(bytes(hostile)) is Ending.SHORT
    assert time.process_time() - begun < 5.0


def test_the_check_sums_are_those_of_the_standard() -> None:
    """RFC 9639, appendix D.1.3: the only frame of its example 1, with the footer BF 03 behind C4."""
    header = bytes.fromhex("fff86918 0000 bf".replace(" ", ""))

    assert crc8(header[:-1]) == header[-1]
    assert crc16(bytes.fromhex("fff869180000bf0358fd03128b aa9a".replace(" ", ""))) == 0


def test_an_mp3_without_a_length_ends_well_or_not() -> None:
    raw = without_delay_tag(file_bytes(noise(2.0), format="MP3", subtype="MPEG_LAYER_III"))
    frames = [at for at in range(1, len(raw)) if ending(raw[:at]) is Ending.OPEN]

    assert ending(raw) is Ending.OPEN
    assert ending(raw + b"TAG" + bytes(125)) is Ending.OPEN
    assert 70 < len(frames) < 80  # 1152 samples each: only behind a whole frame may it be the end


def test_a_zip_is_whole_with_its_end_record() -> None:
    data = zipped({"a.txt": b"x" * 5000})

    assert ending(data) is Ending.WHOLE
    assert ending(data[:-1]) is Ending.SHORT
    assert ending(patched(data, len(data) - 2, struct.pack("<H", 9))) is Ending.SHORT  # a comment is missing
    assert ending(patched(data, len(data) - 2, struct.pack("<H", 9)) + b"A comment") is Ending.WHOLE
    assert ending(data + bytes(9000)) is Ending.SHORT


def test_a_wav_whose_length_is_not_yet_known_is_open() -> None:
    data = file_bytes(noise(0.5))
    growing = patched(patched(data, 40, bytes(4)), 4, bytes(4))

    assert ending(growing) is Ending.OPEN


def test_chunks_that_are_promised_behind_the_audio() -> None:
    stream = io.BytesIO()
    with sf.SoundFile(stream, "w", RATE, 2, format="WAV", subtype="PCM_16") as sound:
        sound.write(noise(0.5))
        sound.title = "amber lane"  # behind the audio, because it comes after it
    data = stream.getvalue()
    assert data.rindex(b"LIST") > data.index(b"data")

    assert ending(data) is Ending.WHOLE
    assert ending(data[:-6]) is Ending.SHORT


@pytest.mark.parametrize("head", [b"", b"fL", b"RIF", b"RIFF\0\0", b"ID3", b"PK", bytes(5000)])
def test_a_mere_beginning_is_short(head: bytes) -> None:
    assert ending(head) is Ending.SHORT


def test_what_is_unknown_is_not_held_up() -> None:
    assert ending(b"a text about a beat") is Ending.WHOLE
