"""Durable publishing: the order of the calls, and what is left when one of them fails."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from daemon.core import atomic
from daemon.core.errors import DiskFull, FolderUnreachable, MachineError, NoPermission


@pytest.fixture
def staged(tmp_path: Path) -> Path:
    folder = tmp_path / "ready" / ".staging" / "job-1"
    (folder / "stems").mkdir(parents=True)
    (folder / "a.wav").write_bytes(b"audio")
    (folder / "stems" / "b.wav").write_bytes(b"stem")
    return folder


def test_publish_moves_the_whole_folder(staged: Path) -> None:
    root = staged.parents[1]
    where = atomic.publish(staged, root, "beat")

    assert where == root / "beat"
    assert (where / "stems" / "b.wav").read_bytes() == b"stem"
    assert not staged.exists()


def test_everything_is_durable_before_the_rename_and_the_name_after_it(
    staged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[str] = []
    real_fsync, real_rename, real_open = os.fsync, os.rename, os.open
    opened: dict[int, str] = {}

    def fake_open(path: Any, flags: int, mode: int = 0o777) -> int:
        descriptor = real_open(path, flags, mode)
        opened[descriptor] = os.path.relpath(path, staged.parents[1])
        return descriptor

    def fake_fsync(descriptor: int) -> None:
        calls.append(f"fsync {opened[descriptor]}")
        real_fsync(descriptor)

    def fake_rename(a: Any, b: Any) -> None:
        calls.append("rename")
        real_rename(a, b)

    monkeypatch.setattr(atomic.os, "open", fake_open)
    monkeypatch.setattr(atomic.os, "fsync", fake_fsync)
    monkeypatch.setattr(atomic.os, "rename", fake_rename)
    atomic.publish(staged, staged.parents[1], "beat")

    job = ".staging/job-1"
    cut = calls.index("rename")
    assert set(calls[:cut]) == {
        f"fsync {job}/a.wav",
        f"fsync {job}/stems/b.wav",
        f"fsync {job}/stems",
        f"fsync {job}",
    }
    assert (
        calls.index(f"fsync {job}/stems/b.wav")
        < calls.index(f"fsync {job}/stems")
        < calls.index(f"fsync {job}")
    )
    assert calls[cut + 1 :] == ["fsync .", "fsync .staging"]


@pytest.mark.parametrize("step", ["fsync", "rename"])
@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (errno.ENOSPC, DiskFull),
        (errno.EIO, MachineError),
        (errno.EACCES, NoPermission),
        (errno.EROFS, NoPermission),
        (errno.ENOENT, FolderUnreachable),
        (errno.ESTALE, FolderUnreachable),
    ],
)
def test_a_failing_step_leaves_nothing_visible(
    staged: Path, monkeypatch: pytest.MonkeyPatch, step: str, code: int, kind: type[MachineError]
) -> None:
    def fail(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(atomic.os, step, fail)

    with pytest.raises(kind):
        atomic.publish(staged, staged.parents[1], "beat")

    assert os.listdir(staged.parents[1]) == [".staging"]
    assert (staged / "a.wav").exists()


def test_a_taken_name_gets_a_number_whatever_its_case(staged: Path) -> None:
    root = staged.parents[1]
    (root / "BEAT").mkdir()
    (root / "beat (2)").write_text("a file")

    assert atomic.publish(staged, root, "beat").name == "beat (3)"


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
