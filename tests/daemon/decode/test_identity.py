"""Which files of a drop count, and what identifies it."""

from __future__ import annotations

import hashlib
import os
import shutil
import unicodedata
from pathlib import Path

import numpy as np
import pytest

from config.settings import Limits
from daemon.core.errors import EmptyDrop, TooLong, UnsafeDrop
from daemon.decode import identity
from daemon.decode.decoder import decode
from daemon.decode.identity import identify, members
from daemon.decode.spool import Scratch
from tests.daemon.make_audio import noise, write


def test_identity_of_a_file_is_its_sha256(tmp_path):
    path = write(tmp_path / "a.wav", noise(3))

    assert identify(path) == hashlib.sha256(path.read_bytes()).hexdigest()
    assert identify(path) == decode(path, limits=Limits()).source.sha256


def _stems(folder: Path, names: tuple[str, ...] = ("drums.wav", "bass.wav")) -> Path:
    folder.mkdir()
    for seed, name in enumerate(names):
        write(folder / name, noise(1.2, seed=seed))
    return folder


def test_identity_of_a_folder(tmp_path):
    one = _stems(tmp_path / "one", (unicodedata.normalize("NFC", "É.wav"), "b.wav"))
    two = _stems(tmp_path / "two", (unicodedata.normalize("NFD", "É.wav"), "b.wav"))
    (two / ".DS_Store").write_bytes(b"litter")
    (two / "._b.wav").write_bytes(b"litter")
    first = identify(one)

    assert identify(two) == first == decode(one, limits=Limits()).source.sha256

    os.rename(two / "b.wav", two / "c.wav")
    assert identify(two) != first
    write(one / "b.wav", noise(1.2, seed=9))
    assert identify(one) != first


def test_the_files_of_a_folder(tmp_path):
    folder = _stems(tmp_path / "beat")
    (folder / "Stems").mkdir()
    write(folder / "Stems" / "keys.wav", noise(1.2))
    (folder / "__MACOSX").mkdir()
    (folder / "__MACOSX" / "x.wav").touch()
    (folder / "take.wav.part").touch()
    (folder / "outside").symlink_to(tmp_path, target_is_directory=True)
    (folder / "loop").symlink_to(folder, target_is_directory=True)
    (folder / "link.wav").symlink_to(folder / "drums.wav")

    assert [path.relative_to(folder).as_posix() for path in members(folder).files] == [
        "Stems/keys.wav",
        "bass.wav",
        "drums.wav",
    ]
    assert [path.name for path in members(folder).refused] == ["link.wav", "loop", "outside"]
    warnings = decode(folder, limits=Limits()).source.warnings
    assert "Links or special files, left out: link.wav, loop, outside." in warnings


def test_folders_without_end(tmp_path, monkeypatch):
    deep = tmp_path / "deep"
    deep.joinpath(*"abcdefgh").mkdir(parents=True)
    with pytest.raises(UnsafeDrop, match="nested"):
        members(deep)

    monkeypatch.setattr(identity, "MAX_FILES", 3)
    with pytest.raises(TooLong, match="more than 3 files"):
        members(_stems(tmp_path / "many", tuple(f"{i}.wav" for i in range(5))))


def test_empty_folder(tmp_path):
    (tmp_path / "beat").mkdir()
    with pytest.raises(EmptyDrop, match="beat: "):
        identify(tmp_path / "beat")
    with pytest.raises(EmptyDrop, match="no audio"):
        decode(tmp_path / "beat", limits=Limits())


def test_what_the_settings_ignore_is_nowhere_counted(tmp_path):
    """The same identity, sum and warnings with and without the ignored files, on disk and in a zip."""
    ignore = ("*.bounce.wav", "notes*")
    plain, more = _stems(tmp_path / "plain"), _stems(tmp_path / "more")
    write(more / "take.BOUNCE.wav", noise(1.2))
    (more / "Notes.txt").write_text("88 BPM")
    for folder in (plain, more):
        shutil.make_archive(str(folder), "zip", folder)

    assert [path.name for path in members(more, ignore).files] == ["bass.wav", "drums.wav"]
    assert identify(more, ignore) == identify(plain, ignore) == identify(plain) != identify(more)
    for one, two in ((plain, more), (plain.with_suffix(".zip"), more.with_suffix(".zip"))):
        with (
            Scratch(tmp_path / f"work {one.name}") as first,
            Scratch(tmp_path / f"work {two.name}") as second,
        ):
            without = decode(one, limits=Limits(), ignore=ignore, scratch=first)
            found = decode(two, limits=Limits(), ignore=ignore, scratch=second)
            assert np.array_equal(found.signal.samples, without.signal.samples)
            assert [stem.name for stem in found.stems] == [stem.name for stem in without.stems]
            assert found.source.warnings == without.source.warnings
    assert decode(more, limits=Limits(), ignore=ignore).source.sha256 == identify(plain)


def test_the_identity_of_a_folder_is_as_it_always_was(tmp_path):
    """Ledgers hold it: SHA-256 over "<sha256> <length> <name>" lines of the members, sorted by name."""
    folder = _stems(tmp_path / "beat")
    (folder / "x.part").touch()
    lines = [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()} {len(name)} {name}\n"
        for name in ("bass.wav", "drums.wav")
    ]

    assert identify(folder) == hashlib.sha256("".join(lines).encode()).hexdigest()
