"""One beat in every format that producers send: sound begins at the same instant in all of them.

Outside references: the encoders of libsndfile and FFmpeg (through PyAV) write the files; 1 ms is what
the session needs. Edit lists: ISO/IEC 14496-12; Opus pre-skip: RFC 7845; BW64: ITU-R BS.2088.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from config.settings import Limits
from daemon.core.errors import NotAudio, UnreadableAudio
from daemon.decode import audiofile
from daemon.decode.audiofile import AudioFile, read_audio
from daemon.decode.spool import Scratch
from tests.daemon.make_audio import Samples, burst, lag, noise
from tests.daemon.make_packets import CODINGS, matrix, packets

RATE = 48000
SOUND = np.clip(burst(3.0, RATE, 2, RATE // 2) + burst(3.0, RATE, 2, RATE), -0.9, 0.9)
FILES = matrix(SOUND, RATE)
EXACT = ("WAV 24", "AIFF", "FLAC", "RF64", "BW64", "M4A ALAC 24")


def read(path: Path, data: bytes) -> AudioFile:
    path.write_bytes(data)
    with Scratch(most_in_memory=1e12) as scratch:
        return read_audio(path, Limits(), scratch)


@pytest.mark.parametrize("name", FILES)
def test_sound_begins_at_the_same_instant(tmp_path: Path, name: str) -> None:
    extension, data = FILES[name]
    found = read(tmp_path / f"beat.{extension}", data)
    samples: Samples = found.samples[0:]

    assert abs(lag(SOUND, samples, RATE // 10)) <= RATE // 1000  # 1 ms
    assert found.warnings == ()
    assert found.rate == RATE
    assert len(samples) == len(SOUND) or (name == "AAC" and 0 <= len(samples) - len(SOUND) < 2048)
    if name in EXACT:
        original = read(tmp_path / "original.wav", FILES["WAV 24"][1]).samples[0:]
        assert np.abs(samples - original).max() <= 2**-23  # writers round the last bit in their own ways


@pytest.mark.parametrize("name", ["M4A ALAC", "M4A ALAC 24"])
def test_alac_is_lossless_and_knows_its_words(tmp_path: Path, name: str) -> None:
    found = read(tmp_path / "beat.m4a", FILES[name][1])

    assert not found.lossy
    assert found.bit_depth == (24 if name.endswith("24") else 16)


@pytest.mark.parametrize("rate", [22050, 44100])
def test_other_rates_and_mono(tmp_path: Path, rate: int) -> None:
    sound = burst(3.0, rate, 1, rate)
    for coding in ("AAC", "M4A AAC", "M4A ALAC"):
        found = read(tmp_path / "beat.m4a", packets(sound, rate, coding))
        assert (found.rate, found.samples.shape[1]) == (rate, 1)
        assert abs(lag(sound, found.samples[0:], rate // 10)) <= rate // 1000


def test_aac_that_does_not_state_its_delay_says_so(tmp_path: Path) -> None:
    bare = packets(SOUND, RATE, "M4A AAC", use_editlist="0")
    found = read(tmp_path / "beat.m4a", bare)

    assert [text[:16] for text in found.warnings] == ["Start uncertain:"]
    assert abs(lag(SOUND, found.samples[0:], RATE // 10)) <= RATE // 1000


@pytest.mark.parametrize("name", CODINGS)
def test_a_cut_file_is_told_or_refused(tmp_path: Path, name: str) -> None:
    extension, data = FILES[name]
    path, cut = tmp_path / f"beat.{extension}", data[: len(data) * 2 // 3]
    if extension in ("m4a", "mp4"):  # its index lies at the end
        with pytest.raises(UnreadableAudio, match="cannot open"):
            read(path, cut)
        return
    found = read(path, cut)

    assert len(found.samples) < len(SOUND)
    assert name == "AAC" or "Cut off" in found.warnings[0]


def test_a_whole_file_is_not_blamed_for_the_first_decoders_limits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A decoder that gives up half-way: the second one reads all of it, and nothing is said."""
    real = audiofile._Forward.read

    def lame(self: sf.SoundFile, *args: object, **more: object) -> Samples:
        if self.tell() > RATE:
            raise ValueError("on purpose")
        return real(self, *args, **more)  # type: ignore[no-any-return]

    monkeypatch.setattr(audiofile._Forward, "read", lame)
    for name in ("FLAC", "MP3"):
        extension, data = FILES[name]
        found = read(tmp_path / f"beat.{extension}", data)
        assert (len(found.samples), found.warnings) == (len(SOUND), ())
        assert abs(lag(SOUND, found.samples[0:], RATE // 10)) <= 1


def test_damage_is_not_hidden_by_the_second_decoder(tmp_path: Path) -> None:
    data = bytearray(FILES["FLAC"][1])
    data[len(data) // 2] ^= 0xFF
    found = read(tmp_path / "beat.flac", bytes(data))

    assert found.warnings


def test_without_the_second_decoder_the_reason_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(NotAudio, match="Python package 'av'"):
        read(tmp_path / "beat.m4a", FILES["M4A AAC"][1])


def test_a_codec_without_a_name_is_refused(tmp_path: Path) -> None:
    """An object type of no codec in the decoder descriptor of an MP4 (ISO/IEC 14496-1, 7.2.6.6)."""
    data = bytearray(packets(noise(1.0, 48000), 48000, "M4A AAC"))
    data[data.index(b"\x04\x80\x80\x80", data.index(b"esds")) + 5] = 0x01
    with pytest.raises(UnreadableAudio, match="no sound of a known kind"):
        read(tmp_path / "beat.m4a", bytes(data))


def test_no_other_container_is_opened_by_name(tmp_path: Path) -> None:
    """A playlist that names another file is text, whatever it is called."""
    (tmp_path / "secret.wav").write_bytes(FILES["WAV 16"][1])
    with pytest.raises(NotAudio, match="text"):
        read(tmp_path / "beat.m4a", b"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nsecret.wav\n")


def test_the_second_decoder_is_loaded_only_when_needed(tmp_path: Path) -> None:
    import subprocess

    (tmp_path / "a.wav").write_bytes(FILES["WAV 16"][1])
    code = (
        "import sys\nfrom pathlib import Path\nfrom config.settings import Limits\n"
        "from daemon.decode.decoder import decode\n"
        f"decode(Path({str(tmp_path / 'a.wav')!r}), limits=Limits())\nassert 'av' not in sys.modules"
    )
    root = Path(__file__).parents[3]
    subprocess.run([sys.executable, "-c", code], check=True, cwd=root)


def test_noise_reads_the_same_in_pieces_and_at_once(tmp_path: Path) -> None:
    data = packets(noise(2.0, RATE, level=0.05), RATE, "M4A ALAC 24")
    whole = read(tmp_path / "a.m4a", data).samples[0:]
    with Scratch(most_in_memory=1000) as scratch:
        spooled = read_audio(tmp_path / "a.m4a", Limits(), scratch).samples[0:]

    assert np.array_equal(whole, spooled)
