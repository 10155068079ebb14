"""What is opened and what never is; what identifies a drop; names fit to be shown."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import socket
import unicodedata
from pathlib import Path

import numpy as np
import pytest

from config.settings import Limits
from daemon.core.errors import DropWithdrawn, EmptyDrop, MachineError, NoPermission, TooLong, UnsafeDrop
from daemon.decode import identity, safeopen
from daemon.decode.decoder import decode
from daemon.decode.identity import identify, members
from daemon.decode.spool import Scratch
from tests.daemon.make_audio import noise, write

HOSTILE_NAMES = [
    "new\nline.wav",
    "esc\x1b[31mred.wav",
    "right\u202eto\u202cleft.wav",
    "zero\u200bwidth.wav",
    "<img src=x onerror=alert(1)>.wav",
    "$(rm -rf ~);`id`|&.wav",
    "'\"quotes\\back.wav",
    "-rf.wav",
    "%s%n{0}{stem}.wav",
    "emoji 🎹👩‍🎤.wav",
    "CON.wav",
    "trailing dot. .wav",
    "a" * 251 + ".wav",
    "é" * 125 + ".wav",
    "日" * 83 + ".wav",
    unicodedata.normalize("NFC", "Ébène.wav"),
    unicodedata.normalize("NFD", "Ébène.wav"),
]


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=range(len(HOSTILE_NAMES)))
def test_hostile_names_are_read_and_shown_as_one_plain_line(tmp_path, name):
    path = write(tmp_path / name, noise(1.2))

    source = decode(path, limits=Limits()).source

    assert source.name.isprintable() or "\u200d" in source.name
    assert unicodedata.is_normalized("NFC", source.name)
    assert json.loads(json.dumps(source.name).encode()) == source.name
    source.name.encode("utf-8")
    assert os.listdir(tmp_path) == [name]


def test_bytes_that_are_no_utf8(tmp_path):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9 140bpm.wav"))
    try:
        write(path, noise(1.2))
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")

    assert decode(path, limits=Limits()).source.name == "caf\\xe9 140bpm.wav"


def test_links_pipes_sockets_and_devices_are_never_opened(tmp_path, monkeypatch):
    secret = write(tmp_path / "private.wav", noise(1.2))
    (tmp_path / "link.wav").symlink_to(secret)
    (tmp_path / "loop.wav").symlink_to(tmp_path / "loop.wav")
    (tmp_path / "dangling.wav").symlink_to(tmp_path / "nowhere.wav")
    (tmp_path / "device.wav").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe.wav")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "socket.wav"))
    monkeypatch.setattr(safeopen.os, "open", lambda *_a: pytest.fail("opened"))

    for name in ("link", "loop", "dangling", "device", "pipe", "socket"):
        with pytest.raises(UnsafeDrop, match=rf"{name}\.wav: .*drop the file itself"):
            identify(tmp_path / f"{name}.wav")
    with pytest.raises(UnsafeDrop):
        identify(Path("/dev/null"))


def test_a_link_that_appears_between_look_and_open(tmp_path, monkeypatch):
    """O_NOFOLLOW: the name was a file when looked at, and is a link when opened."""
    path = write(tmp_path / "a.wav", noise(1.2))
    facts = os.lstat(path)
    path.unlink()
    path.symlink_to("/etc/hostname")
    real = os.lstat
    monkeypatch.setattr(safeopen.os, "lstat", lambda p: facts if p == path else real(p))

    with pytest.raises(UnsafeDrop):
        identify(path)


def test_a_pipe_that_appears_between_look_and_open_does_not_block(tmp_path, monkeypatch):
    path = write(tmp_path / "a.wav", noise(1.2))
    facts = os.lstat(path)
    path.unlink()
    os.mkfifo(path)
    monkeypatch.setattr(safeopen.os, "lstat", lambda _p: facts)

    with pytest.raises(UnsafeDrop):
        identify(path)


def test_missing_and_forbidden(tmp_path, monkeypatch):
    with pytest.raises(DropWithdrawn):
        identify(tmp_path / "gone.wav")
    path = write(tmp_path / "a.wav", noise(1.2))

    def refuse(number):
        def fail(*_args):
            raise OSError(number, os.strerror(number))

        return fail

    monkeypatch.setattr(safeopen.os, "open", refuse(errno.EACCES))
    with pytest.raises(NoPermission, match="right to read"):
        identify(path)
    monkeypatch.setattr(safeopen.os, "open", refuse(errno.EIO))
    with pytest.raises(MachineError, match="tried again"):
        identify(path)


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
