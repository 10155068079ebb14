"""WAV files read back by independent readers: libsndfile, the standard library, scipy, and byte by byte.

Layouts: RIFF (IBM/Microsoft 1991, 1994), bext of EBU Tech 3285 v2, RF64 of EBU Tech 3306.
"""

from __future__ import annotations

import struct
import warnings
import wave
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile as sf

from analyzers.model import Loudness
from daemon.core.errors import MachineError
from daemon.export import wavfile
from daemon.export.wavfile import Label, WavFormat, WavNotes, write_wav

LOUDNESS = Loudness(-9.87, -6.0, -7.555, 4.3, 0.31, -0.1, 10.18, ())
NOTES = WavNotes(
    title="Amber Lane",
    artist="Nils Ørsted",
    comment="140 BPM, E flat minor",
    date="2021-03-04",
    time="05:06:07",
    reference="0123456789abcdef",
    loudness=LOUDNESS,
    labels=(Label(1.5, "section B"), Label(0.25, "bar 1"), Label(99.0, "outside")),
)


def integers(bits: int, channels: int = 2, frames: int = 3001) -> np.ndarray:
    rng = np.random.default_rng(bits)
    edge = 1 << (bits - 1)
    words = rng.integers(-edge, edge, (frames, channels))
    words[0], words[1] = -edge, edge - 1
    return words.astype(np.int32)


def write(path: Path, encoding: str, data: np.ndarray, notes: WavNotes = NOTES, rate: int = 48000) -> Path:
    form = WavFormat(rate, data.shape[1], encoding)  # type: ignore[arg-type]
    write_wav(path, form, len(data), [data[:1000], data[1000:]], notes)
    return path


def chunks(path: Path) -> dict[bytes, bytes]:
    raw = path.read_bytes()
    assert struct.unpack("<I", raw[4:8])[0] == len(raw) - 8
    found, at = {}, 12
    while at < len(raw):
        name, size = struct.unpack("<4sI", raw[at : at + 8])
        found[name + (raw[at + 8 : at + 12] if name == b"LIST" else b"")] = raw[at + 8 : at + 8 + size]
        at += 8 + size + (size & 1)
    assert at == len(raw)
    return found


@pytest.mark.parametrize("channels", [1, 2, 3, 6])
@pytest.mark.parametrize(("bits", "subtype"), [(16, "PCM_16"), (24, "PCM_24"), (32, "PCM_32")])
def test_integers_come_back_exactly(tmp_path: Path, bits: int, subtype: str, channels: int) -> None:
    data = integers(bits, channels)
    path = write(tmp_path / "a.wav", f"int{bits}", data)
    info = sf.info(path)
    assert (info.samplerate, info.channels, info.frames, info.subtype) == (
        48000,
        channels,
        len(data),
        subtype,
    )
    assert info.format == ("WAV" if bits == 16 and channels <= 2 else "WAVEX")
    np.testing.assert_array_equal(sf.read(path, dtype="int32", always_2d=True)[0] >> (32 - bits), data)


# bits of dwChannelMask in WAVEFORMATEXTENSIBLE (ksmedia.h), and the same speakers in sndfile.h
LEFT, RIGHT, CENTRE, LFE, BACK_LEFT, BACK_RIGHT = 0x1, 0x2, 0x4, 0x8, 0x10, 0x20
SNDFILE = {LEFT: 2, RIGHT: 3, CENTRE: 4, LFE: 11, BACK_LEFT: 9, BACK_RIGHT: 10}
GET_CHANNEL_MAP = 0x1100  # SFC_GET_CHANNEL_MAP_INFO
LAYOUTS = {
    1: (CENTRE,), 2: (LEFT, RIGHT), 3: (LEFT, RIGHT, CENTRE), 4: (LEFT, RIGHT, BACK_LEFT, BACK_RIGHT),
    5: (LEFT, RIGHT, CENTRE, BACK_LEFT, BACK_RIGHT), 6: (LEFT, RIGHT, CENTRE, LFE, BACK_LEFT, BACK_RIGHT),
}  # fmt: skip


@pytest.mark.parametrize(("channels", "speakers"), LAYOUTS.items())
def test_each_channel_has_its_speaker(tmp_path: Path, channels: int, speakers: tuple[int, ...]) -> None:
    path = write(tmp_path / "a.wav", "int24", integers(24, channels))
    form = chunks(path)[b"fmt "]
    assert struct.unpack("<I", form[20:24]) == (sum(speakers),)
    with sf.SoundFile(path) as file:
        found = sf._ffi.new("int[]", channels)
        assert sf._snd.sf_command(file._file, GET_CHANNEL_MAP, found, 4 * channels) == 1
    assert list(found) == [SNDFILE[speaker] for speaker in speakers]


def test_more_channels_than_a_layout_names_have_no_speakers(tmp_path: Path) -> None:
    form = chunks(write(tmp_path / "a.wav", "int24", integers(24, 12)))[b"fmt "]
    assert struct.unpack("<I", form[20:24]) == (0,)


@pytest.mark.parametrize(("encoding", "subtype"), [("float32", "FLOAT"), ("float64", "DOUBLE")])
def test_floats_come_back_exactly(tmp_path: Path, encoding: str, subtype: str) -> None:
    data = np.random.default_rng(1).standard_normal((2999, 2)).astype(encoding)
    path = write(tmp_path / "a.wav", encoding, data)
    assert sf.info(path).subtype == subtype
    np.testing.assert_array_equal(sf.read(path, dtype=encoding)[0], data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", scipy.io.wavfile.WavFileWarning)
        np.testing.assert_array_equal(scipy.io.wavfile.read(path)[1], data)


def test_the_standard_library_reads_sixteen_bits(tmp_path: Path) -> None:
    data = integers(16)
    with wave.open(str(write(tmp_path / "a.wav", "int16", data))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (2, 2, 48000)
        np.testing.assert_array_equal(np.frombuffer(file.readframes(9999), "<i2").reshape(-1, 2), data)


def test_scipy_reads_twenty_four_bits(tmp_path: Path) -> None:
    data = integers(24)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", scipy.io.wavfile.WavFileWarning)
        rate, found = scipy.io.wavfile.read(write(tmp_path / "a.wav", "int24", data))
    assert rate == 48000
    np.testing.assert_array_equal(found >> 8, data)


def test_text_is_read_by_libsndfile(tmp_path: Path) -> None:
    with sf.SoundFile(write(tmp_path / "a.wav", "int24", integers(24))) as file:
        assert file.title == "Amber Lane"
        assert file.artist == "Nils ?rsted"
        assert file.comment == "140 BPM, E flat minor"
        assert file.date == "2021-03-04"
        assert file.software == "beatintake"


def test_broadcast_extension(tmp_path: Path) -> None:
    """EBU Tech 3285 v2: offsets of the fields; loudness in hundredths; coding history after EBU R 98."""
    notes = WavNotes(
        title="Amber Lane", loudness=LOUDNESS, time_reference_s=2.0, reference="r" * 40, history="A=MPEG1L3"
    )
    body = chunks(write(tmp_path / "a.wav", "int24", integers(24), notes))[b"bext"]
    assert body[:256].rstrip(b"\0") == b"Amber Lane"
    assert body[256:288].rstrip(b"\0") == b"beatintake"
    assert body[288:320] == b"r" * 32
    assert body[320:338] == bytes(18)  # no date unless one is given
    assert struct.unpack("<Q", body[338:346]) == (96000,)
    assert struct.unpack("<H", body[346:348]) == (2,)
    assert struct.unpack("<5h", body[412:422]) == (-987, 430, 31, -600, -756)
    assert body[422:602] == bytes(180)
    assert body[602:] == b"A=MPEG1L3\r\nA=PCM,F=48000,W=24,M=stereo,T=beatintake\r\n"


def test_unknown_loudness_is_marked_as_not_given(tmp_path: Path) -> None:
    body = chunks(write(tmp_path / "a.wav", "int16", integers(16), WavNotes()))[b"bext"]
    assert struct.unpack("<5h", body[412:422]) == (0x7FFF,) * 5


def test_loudness_beyond_the_field_stays_a_number(tmp_path: Path) -> None:
    """EBU Tech 3285 v2: signed words of hundredths; 0x7FFF is kept for "not given"."""
    far = WavNotes(loudness=replace(LOUDNESS, integrated_lufs=-400.0, true_peak_dbtp=400.0))
    body = chunks(write(tmp_path / "a.wav", "int16", integers(16), far))[b"bext"]
    fields = struct.unpack("<5h", body[412:422])
    assert (fields[0], fields[2]) == (-32768, 0x7FFE)


def test_a_label_after_the_last_frame_is_left_out(tmp_path: Path) -> None:
    labels = WavNotes(labels=(Label(1.0, "end"), Label(95999 / 96000, "last frame")))
    found = chunks(write(tmp_path / "a.wav", "int16", integers(16, frames=96000), labels, rate=96000))
    assert struct.unpack("<I", found[b"cue "][:4]) == (1,)


def test_labels(tmp_path: Path) -> None:
    found = chunks(write(tmp_path / "a.wav", "int16", integers(16, frames=96000)))
    cue = found[b"cue "]
    assert struct.unpack("<I", cue[:4]) == (2,)
    points = [struct.unpack("<II4sIII", cue[4 + 24 * k : 28 + 24 * k]) for k in range(2)]
    assert [(p[0], p[1], p[2], p[5]) for p in points] == [
        (1, 12000, b"data", 12000),
        (2, 72000, b"data", 72000),
    ]
    names = found[b"LISTadtl"]
    assert b"labl\x0a\0\0\0\x01\0\0\0bar 1\0" in names
    assert b"section B\0" in names
    assert b"outside" not in names


def test_extensible_header(tmp_path: Path) -> None:
    """Sub-format KSDATAFORMAT_SUBTYPE_PCM / IEEE_FLOAT, speakers front left and right, fact for all."""
    for encoding, tag, bits in (("int24", 1, 24), ("float32", 3, 32)):
        data = integers(24) if tag == 1 else np.zeros((3001, 2), np.float32)
        found = chunks(write(tmp_path / "a.wav", encoding, data))
        head = struct.unpack("<HHIIHHHHIH", found[b"fmt "][:26])
        assert head == (0xFFFE, 2, 48000, 48000 * bits // 4, bits // 4, bits, 22, bits, 3, tag)
        assert found[b"fmt "][26:].hex() == "000000001000800000aa00389b71"
        assert struct.unpack("<I", found[b"fact"]) == (3001,)


@pytest.mark.parametrize("encoding", ["int16", "int24", "float32"])
def test_rf64_above_the_limit(tmp_path: Path, encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above 4 GiB; the limit is lowered here so that no such file is needed."""
    monkeypatch.setattr(wavfile, "RIFF_LIMIT", 1000)
    data = (
        np.zeros((4000, 2), np.float32) if encoding == "float32" else integers(int(encoding[3:]), frames=4000)
    )
    path = write(tmp_path / "a.wav", encoding, data)
    raw = path.read_bytes()
    assert raw[:4] == b"RF64"
    assert struct.unpack("<4sIQQQI", raw[12:48]) == (
        b"ds64", 28, len(raw) - 8, 4000 * WavFormat(48000, 2, encoding).frame_bytes, 4000, 0,  # type: ignore[arg-type]
    )  # fmt: skip
    info = sf.info(path)
    assert (info.format, info.frames) == ("RF64", 4000)
    dtype = "float32" if encoding == "float32" else "int32"
    shift = 0 if encoding == "float32" else 32 - int(encoding[3:])
    found = sf.read(path, dtype=dtype)[0]
    np.testing.assert_array_equal(found if shift == 0 else found >> shift, data)


def test_odd_data_is_padded(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", "int24", integers(24, channels=1, frames=2001))
    assert len(chunks(path)[b"data"]) == 6003
    assert sf.info(path).frames == 2001


def test_same_input_same_bytes(tmp_path: Path) -> None:
    one = write(tmp_path / "a.wav", "float32", np.zeros((2000, 2), np.float32))
    two = write(tmp_path / "b.wav", "float32", np.zeros((2000, 2), np.float32))
    assert one.read_bytes() == two.read_bytes()


def test_an_empty_file_is_valid(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_wav(path, WavFormat(44100, 2, "int16"), 0, [], WavNotes())
    assert sf.info(path).frames == 0


def test_wrong_number_of_frames_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="announced"):
        write_wav(
            tmp_path / "a.wav", WavFormat(44100, 2, "int16"), 10, [np.zeros((9, 2), np.int32)], WavNotes()
        )


def test_trouble_of_the_machine_is_named(tmp_path: Path) -> None:
    with pytest.raises(MachineError):
        write_wav(tmp_path / "no" / "a.wav", WavFormat(44100, 2, "int16"), 0, [], WavNotes())


def libsndfile(path: Path, command: int, size: int) -> bytes:
    """Answer of one of libsndfile's own queries (sndfile.h), which soundfile does not wrap."""
    with sf.SoundFile(path) as file:
        room = sf._ffi.new("char[]", size)
        assert sf._snd.sf_command(file._file, command, room, size)
        return bytes(sf._ffi.buffer(room, size))


def test_libsndfile_reads_the_broadcast_extension(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", "int24", integers(24), NOTES)
    info = libsndfile(path, 0x10F0, 876)  # SFC_GET_BROADCAST_INFO; fields aligned as in SF_BROADCAST_INFO
    assert info[:256].rstrip(b"\0") == b"Amber Lane - Nils ?rsted - 140 BPM, E flat minor"
    assert info[256:288].rstrip(b"\0") == b"beatintake"
    assert info[288:320].rstrip(b"\0") == b"0123456789abcdef"
    assert info[320:338] == b"2021-03-0405:06:07"
    assert struct.unpack("<IIH", info[340:350]) == (0, 0, 2)
    assert struct.unpack("<5h", info[414:424]) == (-987, 430, 31, -600, -756)
    assert info[608:].rstrip(b"\0") == b"A=PCM,F=48000,W=24,M=stereo,T=beatintake\r\n"


def test_libsndfile_reads_the_cue_points(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", "int16", integers(16, frames=96000))
    count = 2
    raw = libsndfile(path, 0x10CE, 4 + 100 * (24 + 256))  # SFC_GET_CUE, SF_CUES
    assert struct.unpack("<I", raw[:4]) == (count,)
    points = [raw[4 + 280 * k : 284 + 280 * k] for k in range(count)]
    assert [struct.unpack("<I", p[20:24])[0] for p in points] == [12000, 72000]
    assert [p[24:].split(b"\0")[0] for p in points] == [b"bar 1", b"section B"]


def test_labels_of_one_sample_share_a_cue_point(tmp_path: Path) -> None:
    """Two cue points on one sample hide each other; RIFF gives each point a frame of its own."""
    notes = WavNotes(labels=(Label(0.0, "bar 1"), Label(0.000001, "A bar 1"), Label(0.5, "B bar 5")))
    path = tmp_path / "x.wav"
    write_wav(path, WavFormat(44100, 1, "int16"), 44100, [np.zeros((44100, 1), np.int32)], notes)

    found = chunks(path)

    (count,) = struct.unpack_from("<I", found[b"cue "])
    frames = [struct.unpack_from("<I", found[b"cue "], 4 + 24 * k + 20)[0] for k in range(count)]
    assert frames == [0, 22050]
    assert b"bar 1, A bar 1\0" in found[b"LISTadtl"]
