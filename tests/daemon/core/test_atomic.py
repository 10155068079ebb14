"""Durable publishing: the order of the calls, and what is left when one of them fails."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from daemon.core import atomic
from daemon.core.errors import DiskFull


@pytest.fixture
def staged(tmp_path: Path) -> Path:
    folder = tmp_path / "ready" / ".staging" / "job-1"
    (folder / "stems").mkdir(parents=True)
    (folder / "a.wav").write_bytes(b"audio")
    (folder / "stems" / "b.wav").write_bytes(b"stem")
    return folder


def test_nothing_is_ever_replaced(staged: Path) -> None:
    root = staged.parents[1]
    (root / "beat").mkdir()

    with pytest.raises(FileExistsError):
        atomic.reveal(staged, root, "beat")


def test_atomic_write_replaces_as_a_whole(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    atomic.atomic_write(path, b"one")
    atomic.atomic_write(path, b"two")

    assert path.read_bytes() == b"two"
    assert os.listdir(tmp_path) == ["x.json"]


@pytest.mark.parametrize("step", ["write", "fsync", "replace"])
def test_atomic_write_leaves_the_old_file_and_no_trace_when_it_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / "x.json"
    atomic.atomic_write(path, b"old")

    def fail(*_: object) -> int:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(atomic.os, step, fail)
    with pytest.raises(OSError, match="no space"):
        atomic.atomic_write(path, b"new")
    monkeypatch.undo()

    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["x.json"]


def test_atomic_write_copes_with_short_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    monkeypatch.setattr(atomic.os, "write", lambda d, data: real(d, data[:3]))
    atomic.atomic_write(tmp_path / "x", b"0123456789")

    assert (tmp_path / "x").read_bytes() == b"0123456789"


def test_a_name_of_255_bytes_can_be_written(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 255)
    atomic.atomic_write(path, b"1")

    assert path.read_bytes() == b"1"


def test_a_file_is_made_durable_beside_other_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda descriptor: done.append(os.fstat(descriptor).st_size))
    (tmp_path / "copy.wav").write_bytes(b"sound")

    wait = atomic.sync_beside(tmp_path / "copy.wav")
    wait()

    assert done == [5]


def test_what_the_disk_refuses_meanwhile_is_not_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    (tmp_path / "copy.wav").write_bytes(b"sound")
    wait = atomic.sync_beside(tmp_path / "copy.wav")

    with pytest.raises(DiskFull):  # a later fsync of the same file may not report it again
        wait()
