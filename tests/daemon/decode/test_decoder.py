"""Decoding: every format keeps its samples and its time; no header is believed; every bad file has words."""

from __future__ import annotations

import hashlib
import os
import re
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from config.settings import Limits
from daemon.core.errors import (
    ChangedWhileReading,
    DropWithdrawn,
    EmptyDrop,
    NotAudio,
    TooLong,
    TooShort,
    UnreadableAudio,
)
from daemon.decode import audiofile
from daemon.decode.decoder import Decoded, decode
from tests.daemon.make_audio import (
    burst,
    clicks,
    file_bytes,
    flac_claiming,
    lag,
    noise,
    patched,
    wav_claiming,
    without_delay_tag,
    write,
)

SECONDS = 1.2
CONSTANT = {"bitrate_mode": "CONSTANT", "compression_level": 0.6}
EXTENSION = {
    "WAV": "wav",
    "WAVEX": "wav",
    "RF64": "wav",
    "W64": "w64",
    "AIFF": "aiff",
    "CAF": "caf",
    "FLAC": "flac",
}
LOSSLESS = [
    ("WAV", "PCM_16", 16),
    ("WAV", "PCM_24", 24),
    ("WAV", "PCM_32", 32),
    ("WAV", "PCM_U8", 8),
    ("WAV", "FLOAT", None),
    ("WAV", "DOUBLE", None),
    ("WAVEX", "PCM_24", 24),
    ("RF64", "PCM_24", 24),
    ("RF64", "FLOAT", None),
    ("W64", "PCM_16", 16),
    ("AIFF", "PCM_16", 16),
    ("AIFF", "PCM_24", 24),
    ("AIFF", "FLOAT", None),
    ("CAF", "PCM_24", 24),
    ("FLAC", "PCM_16", 16),
    ("FLAC", "PCM_24", 24),
]


def read(path: Path, **limits: float) -> Decoded:
    return decode(path, limits=Limits(**limits))


@pytest.mark.parametrize("rate", [44100, 48000, 88200, 96000, 176400, 192000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("form", "subtype", "bits"), LOSSLESS)
def test_lossless_samples_survive_exactly(tmp_path, form, subtype, bits, channels, rate):
    places = (0, 7, rate // 3, int(SECONDS * rate) - 1)
    wanted = clicks(int(SECONDS * rate), channels, places)
    path = write(tmp_path / f"a.{EXTENSION[form]}", wanted, rate, format=form, subtype=subtype)

    found = read(path)

    assert np.array_equal(found.signal.samples, wanted)
    assert found.signal.samples.dtype == np.float32
    assert (found.source.rate, found.source.channels, found.source.frames) == (rate, channels, len(wanted))
    assert found.source.subtype == subtype
    assert found.source.bit_depth == bits
    assert not found.source.lossy
    assert not [text for text in found.source.warnings if not text.startswith("Only")]


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize(
    ("extension", "form", "subtype"), [("ogg", "OGG", "VORBIS"), ("mp3", "MP3", "MPEG_LAYER_III")]
)
def test_lossy_time_zero_is_exact(tmp_path, extension, form, subtype, rate):
    """check-values: a burst decodes with offset 0 and exact length from Ogg and from MP3 with a delay tag."""
    wanted = burst(3.0, rate, 2, rate)
    path = write(tmp_path / f"a.{extension}", wanted, rate, format=form, subtype=subtype)

    found = read(path)

    assert lag(wanted, found.signal.samples, 3000) == 0
    assert found.source.frames == len(wanted)
    assert found.source.lossy
    assert found.source.bit_depth is None
    assert not any("uncertain" in text for text in found.source.warnings)


def test_mp3_without_delay_tag_is_not_shifted_but_said(tmp_path):
    """576 (LAME's ENCDELAY) + 529 (mpg123's GAPLESS_DELAY) = 1105 samples late."""
    wanted = burst(3.0, 44100, 2, 44100)
    whole = file_bytes(wanted, format="MP3", subtype="MPEG_LAYER_III")
    path = tmp_path / "a.mp3"
    path.write_bytes(without_delay_tag(whole))

    found = read(path)

    assert lag(wanted, found.signal.samples, 3000) == 1105
    assert any(text.startswith("Start uncertain") and "25 ms" in text for text in found.source.warnings)


@pytest.mark.parametrize("tag", [b"", b"ID3\x04\0\0\0\0\x02\x01" + bytes(257)])
def test_a_whole_mp3_that_counts_no_frames_is_not_called_cut_off(tmp_path, tag):
    """The decoder guesses a length from the bit rate then, and the guess is longer than the stream."""
    path = tmp_path / "a.mp3"
    data = file_bytes(noise(12.0), format="MP3", subtype="MPEG_LAYER_III", **CONSTANT)
    path.write_bytes(tag + without_delay_tag(data))

    assert sf.SoundFile(path).frames > len(sf.SoundFile(path).read())  # a guess
    assert [text[:15] for text in read(path).source.warnings] == ["Start uncertain"]


def test_an_mp3_that_counts_no_frames_is_read_to_its_end(tmp_path, monkeypatch):
    """Its first frame has the most bits: the decoder guesses less than half of it, and stops there."""
    path = tmp_path / "a.mp3"
    path.write_bytes(without_delay_tag(file_bytes(noise(12.0), format="MP3", subtype="MPEG_LAYER_III")))

    assert sf.SoundFile(path).frames < 6 * 44100
    found = read(path)
    monkeypatch.setitem(sys.modules, "av", None)
    alone = read(path)

    assert found.signal.duration_s == pytest.approx(12.0, abs=0.06)
    assert [text[:15] for text in found.source.warnings] == ["Start uncertain"]
    assert any("does not state the length; 5.4 s were read" in text for text in alone.source.warnings)


def test_an_mp3_that_counts_no_frames_and_stops_inside_one_is_cut_off(tmp_path):
    data = without_delay_tag(file_bytes(noise(12.0), format="MP3", subtype="MPEG_LAYER_III", **CONSTANT))
    path = tmp_path / "a.mp3"
    path.write_bytes(data[: len(data) // 2 + 1])

    warnings = read(path).source.warnings

    assert any(re.match(r"Cut off: the stream stops inside a frame; [56]\.\d s are", w) for w in warnings)


def test_what_cannot_be_read_is_said_be_it_ever_so_short(tmp_path):
    """Never: the header declares 2.0 s, 2.0 s can be read."""
    wanted = noise(2.0)
    path = tmp_path / "a.flac"
    path.write_bytes(flac_claiming(file_bytes(wanted, format="FLAC"), len(wanted) + 441))

    warnings = read(path).source.warnings

    assert "Cut off or damaged: the header declares 2.0 s, 10 ms of it cannot be read." in warnings


def test_opus_is_read(tmp_path):
    path = write(tmp_path / "a.opus", noise(1.5, 48000), 48000, format="OGG", subtype="OPUS")

    assert read(path).source.lossy


# --- headers that lie (the measured rows of the reliability notes) ---


def test_wav_claiming_2_gib(tmp_path):
    wanted = noise(SECONDS)
    path = tmp_path / "a.wav"
    path.write_bytes(wav_claiming(file_bytes(wanted), 2**31))

    found = read(path)

    assert found.source.frames == len(wanted)
    assert any("Cut off" in text and str(2**31) in text for text in found.source.warnings)


@pytest.mark.parametrize(
    ("form", "subtype"),
    [("WAV", "PCM_16"), ("AIFF", "PCM_24"), ("RF64", "PCM_24"), ("W64", "PCM_16"), ("AU", "PCM_16")],
)
def test_cut_in_half_is_said(tmp_path, form, subtype):
    wanted = noise(2.4)
    data = file_bytes(wanted, format=form, subtype=subtype)
    path = tmp_path / f"a.{EXTENSION.get(form, 'au')}"
    path.write_bytes(data[: len(data) // 2])

    found = read(path)

    assert abs(found.source.frames - len(wanted) // 2) < 100
    cut = [text for text in found.source.warnings if text.startswith("Cut off")]
    assert len(cut) == 1
    assert "50%" in cut[0]


def test_flac_of_unknown_length_is_read_to_its_last_samples(tmp_path):
    wanted = noise(SECONDS, seed=3)
    data = file_bytes(wanted, format="FLAC")
    path = tmp_path / "a.flac"
    path.write_bytes(flac_claiming(data, 0))

    found = read(path)

    assert found.source.frames == len(wanted)
    assert np.allclose(found.signal.samples, wanted, atol=2**-15)
    assert any("does not state the length" in text for text in found.source.warnings)


def test_flac_cut_off_keeps_what_is_whole(tmp_path):
    wanted = noise(4.0, seed=3)
    data = file_bytes(wanted, format="FLAC")
    path = tmp_path / "a.flac"
    path.write_bytes(data[: len(data) // 2])

    found = read(path)

    assert 0.45 * len(wanted) < found.source.frames < 0.51 * len(wanted)
    assert np.allclose(found.signal.samples, wanted[: found.source.frames], atol=2**-15)
    assert any("Cut off or damaged" in text for text in found.source.warnings)


@pytest.mark.parametrize("frames", [2**36 - 1, 2**31])
def test_flac_claiming_days_allocates_by_its_bytes(tmp_path, frames):
    wanted = noise(SECONDS)
    path = tmp_path / "a.flac"
    path.write_bytes(flac_claiming(file_bytes(wanted, format="FLAC"), frames))

    tracemalloc.start()
    found = read(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert found.source.frames > 0.9 * len(wanted)
    assert any("Cut off or damaged" in text for text in found.source.warnings)
    assert peak < 200e6


@pytest.mark.parametrize(("count", "said"), [(100_000, "Cut off or damaged"), (50, "the file holds more")])
def test_mp3_with_a_wrong_frame_count(tmp_path, count, said):
    data = file_bytes(noise(6.0), format="MP3", subtype="MPEG_LAYER_III")
    tag = max(data.find(b"Xing"), data.find(b"Info"))
    path = tmp_path / "a.mp3"
    path.write_bytes(patched(data, tag + 8, count.to_bytes(4, "big")))

    assert any(said in text for text in read(path).source.warnings)


def test_mp3_cut_in_half(tmp_path):
    data = file_bytes(noise(6.0), format="MP3", subtype="MPEG_LAYER_III")
    path = tmp_path / "a.mp3"
    path.write_bytes(data[: len(data) // 2])

    found = read(path)

    assert 2.5 < found.signal.duration_s < 3.5
    assert any("Cut off" in text and "50%" in text for text in found.source.warnings)


def test_ogg_cut_off(tmp_path):
    data = file_bytes(noise(6.0), format="OGG", subtype="VORBIS")
    path = tmp_path / "a.ogg"
    path.write_bytes(data[: len(data) // 2])

    assert any("no end mark" in text for text in read(path).source.warnings)


def test_interrupted_bounce_with_a_length_of_zero(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(wav_claiming(file_bytes(noise(SECONDS)), 0))

    with pytest.raises(UnreadableAudio, match=r"a\.wav: .*bounce and send it again"):
        read(path)


# --- names that lie ---


def test_content_decides_and_the_name_is_told(tmp_path):
    data = file_bytes(noise(SECONDS), format="MP3", subtype="MPEG_LAYER_III")
    path = tmp_path / "beat.wav"
    path.write_bytes(data)

    found = read(path)

    assert found.source.format == "MP3"
    assert any(re.search(r"named \.wav but is an MP3 file", text) for text in found.source.warnings)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\x1a\x45\xdf\xa3" + b"x" * 100, "Matroska"),
        (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11" + b"x" * 100, "WMA"),
        (b"MThd\0\0\0\x06\0\x01\0\x01\x01\xe0", "MIDI"),
        (b"140 bpm, call me when you have heard it\n" * 50, "text"),
        (b"<script>alert(1)</script>" * 50, "text"),
        (b"\0" * 5000, "zero bytes"),
        (np.random.default_rng(0).bytes(5000), "no known audio format"),
        (b"\x89PNG\r\n\x1a\n" + b"x" * 100, "picture"),
        (b"RIFF\x24\0\0\0AVI LIST" + b"\0" * 100, "no known audio format"),
    ],
)
def test_other_files_get_a_reason(tmp_path, data, words):
    path = tmp_path / "beat.mp3"
    path.write_bytes(data)

    with pytest.raises(NotAudio, match=rf"beat\.mp3: it is .*{words}.*ask the producer for a WAV"):
        read(path)


# --- empty, silent, short, long, strange ---


def test_empty_file(tmp_path):
    path = tmp_path / "a.wav"
    path.touch()

    with pytest.raises(EmptyDrop, match="no bytes"):
        read(path)


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_silence_and_pure_offset(tmp_path, value):
    path = write(tmp_path / "a.wav", np.full((60000, 2), value, np.float32))

    with pytest.raises(EmptyDrop, match="no sound"):
        read(path)


def test_dither_alone_is_silence_but_quiet_music_is_not(tmp_path):
    rng = np.random.default_rng(0)
    dither = (rng.integers(-1, 2, (60000, 2)) / 32768).astype(np.float32)
    with pytest.raises(EmptyDrop, match="below -80 dBFS"):
        read(write(tmp_path / "a.wav", dither))

    assert read(write(tmp_path / "b.wav", noise(SECONDS, level=1e-3))).source.frames


def test_too_short(tmp_path):
    with pytest.raises(TooShort, match=r"0\.50 s is too short"):
        read(write(tmp_path / "a.wav", noise(0.5)))


def test_short_is_a_warning(tmp_path):
    assert any(
        text.startswith("Only 5.0 s") for text in read(write(tmp_path / "a.wav", noise(5))).source.warnings
    )
    assert not read(write(tmp_path / "b.wav", noise(10))).source.warnings


@pytest.mark.parametrize(
    ("extension", "form", "subtype"), [("wav", "WAV", "PCM_16"), ("flac", "FLAC", "PCM_16")]
)
def test_too_long(tmp_path, extension, form, subtype):
    path = write(tmp_path / f"a.{extension}", noise(7), format=form, subtype=subtype)

    with pytest.raises(TooLong, match=r"limits\.max_minutes"):
        read(path, max_minutes=0.1)
    assert read(path, max_minutes=0.12).source.frames == 7 * 44100


def test_too_long_although_the_header_says_short(tmp_path):
    """The declared length is not trusted for the limit either."""
    path = tmp_path / "a.flac"
    path.write_bytes(flac_claiming(file_bytes(noise(7), format="FLAC"), 0))

    with pytest.raises(TooLong, match="more than 0 minutes"):
        read(path, max_minutes=0.1)


def test_too_big(tmp_path):
    with pytest.raises(TooLong, match=r"limits\.max_file_mb"):
        read(write(tmp_path / "a.wav", noise(7)), max_file_mb=1)


def test_too_many_channels(tmp_path):
    path = write(tmp_path / "a.wav", noise(SECONDS, channels=6))

    with pytest.raises(TooLong, match="6 channels"):
        read(path)
    assert read(path, max_channels=8).source.channels == 6


@pytest.mark.parametrize("rate", [1, 7000, 500_000])
def test_impossible_sample_rate(tmp_path, rate):
    data = file_bytes(noise(SECONDS))
    path = tmp_path / "a.wav"
    path.write_bytes(patched(data, 24, rate.to_bytes(4, "little")))

    with pytest.raises(UnreadableAudio, match=f"{rate} Hz"):
        read(path)


def test_not_a_number_becomes_zero_with_a_count(tmp_path):
    samples = noise(SECONDS)
    samples[100, 0], samples[200], samples[300, 1] = np.nan, np.inf, 1e30
    found = read(write(tmp_path / "a.wav", samples, subtype="FLOAT"))

    assert np.isfinite(found.signal.samples).all()
    assert not found.signal.samples[200].any()
    assert found.signal.samples[100, 1] == samples[100, 1]
    assert any(text.startswith("4 samples are no valid number") for text in found.source.warnings)


def test_float_above_full_scale_is_kept(tmp_path):
    samples = noise(SECONDS)
    samples[1000] = 3.5

    assert read(write(tmp_path / "a.wav", samples, subtype="FLOAT")).signal.samples.max() == 3.5


# --- the original ---


def test_the_original_is_only_read(tmp_path):
    path = write(tmp_path / "a.wav", noise(SECONDS))
    before, digest = os.stat(path), hashlib.sha256(path.read_bytes()).hexdigest()
    path.chmod(0o400)

    found = read(path)

    after = os.stat(path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == digest == found.source.sha256
    assert (after.st_size, after.st_mtime_ns, after.st_ino) == (
        before.st_size,
        before.st_mtime_ns,
        before.st_ino,
    )
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.wav"]
    assert found.source.bytes == before.st_size


def _during_read(monkeypatch, action):
    real = audiofile.measure_extent
    monkeypatch.setattr(audiofile, "measure_extent", lambda *args: (action(), real(*args))[1])


def test_grown_while_reading(tmp_path, monkeypatch):
    path = write(tmp_path / "a.wav", noise(SECONDS))
    _during_read(monkeypatch, lambda: path.open("ab").write(b"more"))

    with pytest.raises(ChangedWhileReading, match=r"a\.wav"):
        read(path)


def test_replaced_while_reading(tmp_path, monkeypatch):
    path, other = write(tmp_path / "a.wav", noise(SECONDS)), write(tmp_path / "b.wav", noise(SECONDS, seed=1))
    _during_read(monkeypatch, lambda: os.replace(other, path))

    with pytest.raises(ChangedWhileReading):
        read(path)


def test_rewritten_in_place_with_the_same_size_and_time(tmp_path, monkeypatch):
    path = write(tmp_path / "a.wav", noise(SECONDS))
    facts, data = os.stat(path), file_bytes(noise(SECONDS, seed=1))

    def rewrite():
        with path.open("r+b") as file:
            file.write(data)
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))

    _during_read(monkeypatch, rewrite)

    with pytest.raises(ChangedWhileReading):
        read(path)


def test_deleted_while_reading(tmp_path, monkeypatch):
    path = write(tmp_path / "a.wav", noise(SECONDS))
    _during_read(monkeypatch, path.unlink)

    with pytest.raises(DropWithdrawn):
        read(path)


def test_tags_are_plain_text(tmp_path):
    path = tmp_path / "a.flac"
    with sf.SoundFile(path, "w", 44100, 2, format="FLAC") as sound:
        sound.title = "Amber\x1b[31m Lane\r\n<script>alert(1)</script>"
        sound.comment = "x" * 5000
        sound.write(noise(SECONDS))

    tags = read(path).source.tags

    assert tags["title"] == "Amber[31m Lane <script>alert(1)</script>"
    assert len(tags["comment"]) <= 300
