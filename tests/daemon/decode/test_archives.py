"""Zips from strangers: good ones are unpacked, each rule has a file that breaks it."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import struct
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pytest

from config.settings import Limits
from daemon.core.errors import DiskFull, EmptyDrop, UnreadableAudio, UnsafeArchive
from daemon.decode import archives
from daemon.decode.archives import extract
from daemon.decode.decoder import decode
from daemon.decode.identity import identify
from daemon.decode.spool import Scratch
from daemon.decode.tags import claims
from tests.daemon.make_audio import file_bytes, noise

WAV = file_bytes(noise(1.2))
OTHER = file_bytes(noise(1.2, seed=1))


def zip_bytes(*entries: tuple[str | zipfile.ZipInfo, bytes], packed: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", packed) as archive:
        for name, data in entries:
            archive.writestr(name, data)
    return stream.getvalue()


def drop(tmp_path: Path, data: bytes, name: str = "beat.zip") -> Path:
    path = tmp_path / name
    path.write_bytes(data)
    return path


def unpack(tmp_path: Path, data: bytes, **limits: float) -> list[str]:
    """Unpack into a private folder, and prove that nothing was written beside it."""
    path, work = drop(tmp_path, data), tmp_path / "work"
    try:
        folder = extract(path, work, Limits(**limits)).folder
        return sorted(file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file())
    finally:
        assert {entry.name for entry in tmp_path.iterdir()} <= {"beat.zip", "work"}
        assert path.read_bytes() == data
        for file in work.rglob("*"):
            assert not file.is_symlink()


def test_zip_of_one_beat(tmp_path):
    path = drop(
        tmp_path, zip_bytes(("amber lane/amber.wav", WAV), ("amber lane/license.txt", b"free to use"))
    )

    found = decode(path, limits=Limits(), scratch=Scratch(tmp_path / "work"))

    assert found.source.name == "beat.zip"
    assert found.source.format == "WAV"
    assert found.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest() == identify(path)
    assert found.source.bytes == path.stat().st_size
    assert found.path.read_bytes() == WAV
    assert any(text.startswith("Not audio, left in the zip: license.txt") for text in found.source.warnings)


def test_claims_in_the_names_inside(tmp_path):
    path = drop(tmp_path, zip_bytes(("amber lane/amber 140bpm Ebm.wav", WAV)))
    source = decode(path, limits=Limits()).source

    assert [(claim.value, claim.where) for claim in claims(source.name, source.tags)] == [
        (140.0, "file name"),
        ("E flat minor", "file name"),
    ]


def test_zip_of_stems(tmp_path):
    path = drop(
        tmp_path,
        zip_bytes(("a/drums.wav", WAV), ("a/bass.wav", OTHER), ("__MACOSX/a/._bass.wav", b"x" * 100)),
    )

    found = decode(path, limits=Limits(), scratch=Scratch(tmp_path / "work"))

    assert [stem.name for stem in found.stems] == ["a/bass.wav", "a/drums.wav"]
    assert np.allclose(found.signal.samples, noise(1.2) + noise(1.2, seed=1), atol=2**-14)


def test_without_a_scratch_nothing_stays(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "tmp"))
    (tmp_path / "tmp").mkdir()

    assert decode(drop(tmp_path, zip_bytes(("a.wav", WAV))), limits=Limits()).source.frames
    assert list((tmp_path / "tmp").iterdir()) == []


def test_a_zip_by_content_not_by_name(tmp_path):
    path = drop(tmp_path, zip_bytes(("a.wav", WAV)), "beat.wav")

    assert decode(path, limits=Limits(), scratch=Scratch(tmp_path / "work")).source.format == "WAV"


def test_stored_entries_and_self_named_folders(tmp_path):
    data = zip_bytes(("b/", b""), ("b/a.wav", WAV), ("./c.wav", OTHER), packed=zipfile.ZIP_STORED)

    assert unpack(tmp_path, data) == ["b/a.wav", "c.wav"]


@pytest.mark.parametrize(
    "name",
    [
        "../a.wav",
        "b/../../a.wav",
        "/etc/a.wav",
        "..\\a.wav",
        "b\\..\\..\\a.wav",
        "C:\\a.wav",
        "C:a.wav",
        "//x/a.wav",
    ],
)
def test_slip(tmp_path, name):
    with pytest.raises(UnsafeArchive, match="points outside the archive"):
        unpack(tmp_path, zip_bytes(("ok.wav", OTHER), (name, WAV)))


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFBLK, stat.S_IFSOCK])
def test_links_and_devices(tmp_path, kind):
    info = zipfile.ZipInfo("a.wav")
    info.create_system = 3
    info.external_attr = (kind | 0o777) << 16
    with pytest.raises(UnsafeArchive, match=r"a\.wav is a link or a device"):
        unpack(tmp_path, zip_bytes((info, b"/etc/passwd")))


def test_bomb_by_ratio(tmp_path):
    bomb = WAV + b"\0" * (80 << 20)
    with pytest.raises(UnsafeArchive, match=r"limits\.zip_max_ratio"):
        unpack(tmp_path, zip_bytes(("a.wav", bomb)))


def test_silent_stems_are_no_bomb(tmp_path):
    """Digital silence packs a thousand to one; beside real stems that is fine."""
    silence = file_bytes(np.zeros((44100 * 60, 2), np.float32))

    assert len(unpack(tmp_path, zip_bytes(("a.wav", WAV), ("b.wav", silence), ("c.wav", silence)))) == 3


def test_bomb_by_size_counts_real_bytes(tmp_path):
    """The central directory says 10 bytes; what comes out is counted."""
    data = zip_bytes(("a.wav", WAV + b"\0" * 3_000_000))
    central = data.rfind(b"PK\x01\x02")
    lied = bytearray(data)
    lied[central + 24 : central + 28] = struct.pack("<I", 10)
    with pytest.raises((UnsafeArchive, UnreadableAudio)):
        unpack(tmp_path, bytes(lied), max_file_mb=2)
    with pytest.raises(UnsafeArchive, match=r"limits\.max_file_mb"):
        unpack(tmp_path, data, max_file_mb=2)


def test_a_hundred_thousand_entries(tmp_path):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for number in range(100_000):
            archive.writestr(zipfile.ZipInfo(f"{number}.wav"), b"")
    tracemalloc.start()
    with pytest.raises(UnsafeArchive, match="more than 2000"):
        unpack(tmp_path, stream.getvalue())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert peak < 3 * len(stream.getvalue())


def test_more_than_2000_entries(tmp_path):
    with pytest.raises(UnsafeArchive, match="2001 entries"):
        unpack(tmp_path, zip_bytes(*((f"{i}.wav", b"") for i in range(2001))))


def test_too_deep(tmp_path):
    with pytest.raises(UnsafeArchive, match="nested"):
        unpack(tmp_path, zip_bytes(("a/b/c/d/e/f/g/h.wav", WAV)))


@pytest.mark.parametrize("name", ["inner.zip", "inner.wav"])
def test_archive_in_archive(tmp_path, name):
    with pytest.raises(UnsafeArchive, match="another archive"):
        unpack(tmp_path, zip_bytes((name, zip_bytes(("a.wav", WAV)))))


def test_password(tmp_path):
    data = bytearray(zip_bytes(("a.wav", WAV)))
    for mark, at in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        data[data.rfind(mark) + at] |= 1
    with pytest.raises(UnsafeArchive, match="password"):
        unpack(tmp_path, bytes(data))


@pytest.mark.parametrize("packed", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_unusual_packing(tmp_path, packed):
    with pytest.raises(UnsafeArchive, match="method"):
        unpack(tmp_path, zip_bytes(("a.wav", WAV), packed=packed))


def test_two_entries_of_one_name(tmp_path):
    with pytest.warns(UserWarning, match="Duplicate"):
        data = zip_bytes(("a.wav", WAV), ("a.wav", OTHER))
    with pytest.raises(UnsafeArchive, match="two entries named a"):
        unpack(tmp_path, data)


def test_names_that_differ_only_by_case_or_form(tmp_path):
    with pytest.raises(UnsafeArchive, match="two entries"):
        unpack(tmp_path, zip_bytes(("A.wav", WAV), ("a.WAV", OTHER)))


def test_file_and_folder_of_one_name(tmp_path):
    with pytest.raises(UnsafeArchive, match="same name"):
        unpack(tmp_path, zip_bytes(("a.wav", WAV), ("a.wav/b.wav", OTHER)))


def test_hostile_names_inside(tmp_path):
    long = "é" * 200 + ".wav"
    found = unpack(tmp_path, zip_bytes(("a\nb\x1b\u202e.wav", WAV), (long, OTHER), ('<a|b>:"?*.wav', WAV)))

    assert len(found) == 3
    assert all(len(name.encode()) <= 120 and name.isprintable() and name.endswith(".wav") for name in found)
    assert "_a_b_____.wav" in found


def test_cut_off(tmp_path):
    data = zip_bytes(("a.wav", WAV))
    with pytest.raises(UnreadableAudio, match="cut off"):
        unpack(tmp_path, data[: len(data) // 2])


def test_damaged_content(tmp_path):
    data = bytearray(zip_bytes(("a.wav", WAV), packed=zipfile.ZIP_STORED))
    data[50_000] ^= 0xFF
    with pytest.raises(UnreadableAudio, match="zip and send it again"):
        unpack(tmp_path, bytes(data))


def test_nothing_in_it(tmp_path):
    for data in (zip_bytes(), zip_bytes(("read me.txt", b"hello"))):
        with pytest.raises(EmptyDrop, match="no audio"):
            decode(drop(tmp_path, data), limits=Limits())


def test_disk_full(tmp_path, monkeypatch):
    class Full(io.BytesIO):
        def write(self, _data):
            raise OSError(28, os.strerror(28))

    monkeypatch.setattr(archives.os, "fdopen", lambda number, _mode: (os.close(number), Full())[1])
    path = drop(tmp_path, zip_bytes(("a.wav", WAV)))
    monkeypatch.setattr(archives, "opened", lambda _path: path.open("rb"))
    with pytest.raises(DiskFull, match="free space"):
        extract(path, tmp_path / "work", Limits())
