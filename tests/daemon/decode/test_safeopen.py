"""What is opened and what never is; names fit to be shown."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import socket
import unicodedata
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from config.settings import Limits
from daemon.core.errors import DropWithdrawn, MachineError, NoPermission, UnsafeDrop
from daemon.decode import safeopen
from daemon.decode.decoder import decode
from daemon.decode.identity import identify
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


@pytest.mark.parametrize("placed", [True, False], ids=["positioned reads", "none, as on Windows"])
def test_a_file_is_hashed_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, placed: bool
) -> None:
    data = np.random.default_rng(1).bytes(3 * safeopen.HASH_BLOCK + 5)
    (tmp_path / "a.wav").write_bytes(data)
    if not placed:
        monkeypatch.delattr(os, "pread")
    with safeopen.opened(tmp_path / "a.wav") as file, ThreadPoolExecutor(1) as beside:
        whole = safeopen.hash_beside(file, beside)
        read = b"".join(iter(lambda: file.read(4096), b""))

        assert whole() == (hashlib.sha256(data).hexdigest(), len(data))
    assert read == data
