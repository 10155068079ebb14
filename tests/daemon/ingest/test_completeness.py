"""Is somebody still writing? Asked of real files."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.ingest import completeness
from daemon.ingest.completeness import Access, access, access_file
from daemon.ingest.grouping import FileFact, Kind, make
from tests.daemon.make_audio import file_bytes, noise

WAV = file_bytes(noise(0.5, rate=8000), rate=8000)
LEASES = sys.platform == "linux"


def test_a_closed_whole_file_is_free(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(WAV)

    assert access_file(tmp_path / "a.wav") is Access.FREE


@pytest.mark.skipif(not LEASES, reason="read leases are a Linux thing")
def test_a_writer_in_another_process_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(WAV)
    code = f"f = open({str(path)!r}, 'ab'); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        assert access_file(path) is Access.WRITER
        writer.communicate(b"\n")

    assert access_file(path) is Access.FREE


@pytest.mark.skipif(not LEASES, reason="read leases are a Linux thing")
def test_a_reader_is_no_writer(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(WAV)
    with open(tmp_path / "a.wav", "rb"):
        assert access_file(tmp_path / "a.wav") is Access.FREE


@pytest.mark.skipif(not LEASES, reason="read leases are a Linux thing")
def test_asking_never_disturbs_a_writer_that_comes(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(WAV)
    for _ in range(200):
        access_file(path)
        with open(path, "r+b") as file:
            file.write(b"R")


def test_a_header_that_promises_more_is_suspect(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(WAV[: len(WAV) // 2])

    assert access_file(tmp_path / "a.wav") is Access.SUSPECT


def test_an_empty_file_is_suspect(tmp_path: Path) -> None:
    (tmp_path / "a.wav").touch()

    assert access_file(tmp_path / "a.wav") is Access.SUSPECT


@pytest.mark.parametrize("told", [True, False], ids=["leases tell", "nobody can tell"])
def test_an_end_of_zeros_is_silence_or_space_reserved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, told: bool
) -> None:
    samples = noise(1.0, rate=8000)
    samples[-4000:] = 0
    (tmp_path / "a.wav").write_bytes(file_bytes(samples, rate=8000))
    if not told:
        monkeypatch.setattr(completeness, "has_writer", lambda _: None)

    assert access_file(tmp_path / "a.wav") is Access.ZEROS


@pytest.mark.skipif(not LEASES, reason="not every file system tells its holes")
def test_space_that_was_reserved_and_not_written_is_seen(tmp_path: Path) -> None:
    whole = file_bytes(noise(20.0, rate=8000), rate=8000)
    with open(tmp_path / "a.wav", "wb") as file:
        file.truncate(len(whole))
        file.write(whole[:44])
        file.seek(len(whole) - 9000)
        file.write(whole[-9000:])  # head and tail first: neither the header nor the end betrays it

    assert access_file(tmp_path / "a.wav") is Access.HOLES


def test_where_leases_cannot_tell_the_bytes_decide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flac = file_bytes(noise(1.0, rate=8000), rate=8000, format="FLAC")
    (tmp_path / "a.flac").write_bytes(flac)
    (tmp_path / "b.flac").write_bytes(flac[:-1])
    monkeypatch.setattr(completeness, "has_writer", lambda _: None)

    assert access_file(tmp_path / "a.flac") is Access.FREE
    assert access_file(tmp_path / "b.flac") is Access.SUSPECT


def test_gone_and_links(tmp_path: Path) -> None:
    (tmp_path / "link.wav").symlink_to(tmp_path / "a.wav")

    assert access_file(tmp_path / "none.wav") is Access.GONE
    assert access_file(tmp_path / "link.wav") is Access.FREE  # never followed


def test_the_worst_member_decides_and_non_files_are_not_asked(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        (tmp_path / name).write_bytes(WAV)
    (tmp_path / "b.wav").write_bytes(WAV[:100])
    os.mkfifo(tmp_path / "pipe.wav")
    facts = [
        FileFact("a.wav", 1, 1, 1, 1),
        FileFact("b.wav", 1, 1, 1, 1),
        FileFact("pipe.wav", 0, 1, 1, 1, False),
    ]

    assert access(tmp_path, make("x", Kind.STEMS, facts)) is Access.SUSPECT
    assert access(tmp_path, make("pipe.wav", Kind.FILE, facts[2:])) is Access.FREE
