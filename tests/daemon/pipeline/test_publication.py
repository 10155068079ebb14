"""Durable publishing: the order of the calls, and what is left when one of them fails."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest

from config.settings import Folders
from daemon.core import atomic
from daemon.core.errors import DiskFull, FolderUnreachable, MachineError, NoPermission
from daemon.ledger.ledger import Ledger, Record
from daemon.pipeline.inplace import replace_in
from daemon.pipeline.publication import Results


@pytest.fixture
def staged(tmp_path: Path) -> Path:
    folder = tmp_path / "ready" / ".staging" / "job-1"
    (folder / "stems").mkdir(parents=True)
    (folder / "a.wav").write_bytes(b"audio")
    (folder / "stems" / "b.wav").write_bytes(b"stem")
    return folder


def appear(staged: Path) -> Record:
    """Publish as the service and a batch do."""
    root = staged.parents[1]
    ledger = Ledger.open(root.parent / "ledger.sqlite3")
    folders = Folders(
        incoming=root.parent / "in", ready=root, rejected=root.parent / "no", state=root.parent / "state"
    )
    try:
        return Results(folders, ledger).appear(
            staged, Record("aa" * 32, "ready", "beat", "beat.wav"), "beat.wav", b""
        )
    finally:
        ledger.close()


def test_publish_moves_the_whole_folder(staged: Path) -> None:
    root = staged.parents[1]
    where = root / appear(staged).folder

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
    appear(staged)

    job = ".staging/job-1"
    cut = calls.index("rename")
    assert set(calls[:cut]) == {
        f"fsync {job}/a.wav",
        f"fsync {job}/stems/b.wav",
        f"fsync {job}/stems",
        f"fsync {job}",
        "fsync .staging",
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
        appear(staged)

    assert os.listdir(staged.parents[1]) == [".staging"]
    assert (staged / "a.wav").exists()


def test_what_is_published_is_known_though_ledger_and_intent_are_lost_before_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = Folders(**{name: tmp_path / name for name in ("incoming", "ready", "rejected", "state")})
    staged = result_with_stems(folders.ready / ".staging" / "job-1", "bass.wav")
    folders.rejected.mkdir()
    ledger = Ledger.open(folders.state / "ledger.sqlite3")
    results = Results(folders, ledger)

    def lost(*_: object) -> None:
        (folders.state / "underway").rename(tmp_path / "gone")
        raise MachineError("the ledger", "it was removed", "none")

    monkeypatch.setattr(ledger, "record", lost)
    with pytest.raises(MachineError):
        results.appear(staged, Record("aa" * 32, "ready", "beat", "beat"), "beat", b"")
    known = results.known("aa" * 32)
    ledger.close()

    assert known is not None
    assert known.folder == "beat"


def test_a_taken_name_gets_a_number_whatever_its_case(staged: Path) -> None:
    root = staged.parents[1]
    (root / "BEAT").mkdir()
    (root / "beat (2)").write_text("a file")

    assert appear(staged).folder == "beat (3)"


def result_with_stems(folder: Path, *stems: str, copies: tuple[str, ...] = ()) -> Path:
    """A published folder as its report lists it."""
    (folder / "stems").mkdir(parents=True)
    for name in (*stems, *copies):
        (folder / "stems" / name).write_bytes(folder.name.encode())
    (folder / "a.wav").write_bytes(folder.name.encode())
    lines = [{"name": f"producer's {name}", "file": name} for name in stems]
    drop = {"name": "beat", "producer": None, "sha256": "aa" * 32}
    report = {"drop": drop, "files": {"aligned_copy": "a.wav"}, "stems": lines}
    (folder / "a.report.json").write_text(json.dumps(report))
    return folder


def test_stems_that_are_no_more_go_and_what_people_keep_there_stays(tmp_path: Path) -> None:
    folder = result_with_stems(tmp_path / "old", "bass.wav", "drums.wav", copies=("mine.wav",))
    replace_in(folder, result_with_stems(tmp_path / "new", "bass.wav", "whole drums.wav"))

    assert sorted(path.name for path in (folder / "stems").iterdir()) == [
        "bass.wav", "mine.wav", "whole drums.wav",
    ]  # fmt: skip
    assert (folder / "stems" / "bass.wav").read_bytes() == b"new"


def test_a_listed_name_never_leads_out_of_the_stems(tmp_path: Path) -> None:
    folder = result_with_stems(tmp_path / "old", "bass.wav")
    text = (folder / "a.report.json").read_text().replace('"file": "bass.wav"', '"file": "../kept.txt"')
    (folder / "a.report.json").write_text(text)
    (folder / "kept.txt").write_text("mine")
    replace_in(folder, result_with_stems(tmp_path / "new", "bass.wav"))

    assert (folder / "kept.txt").exists()


@pytest.mark.parametrize("keeps", [None, "note.txt", "stems/mine.wav"])
def test_the_stems_of_an_incomplete_copy_go_with_it(tmp_path: Path, keeps: str | None) -> None:
    folders = Folders(**{name: tmp_path / name for name in ("incoming", "ready", "rejected", "state")})
    folder = result_with_stems(folders.ready / "beat", "bass.wav", "drums.wav")
    if keeps:
        (folder / keeps).write_text("mine")
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    part = Record("aa" * 32, "ready", "beat", "beat")
    Results(folders, ledger).drop_part(part)
    ledger.close()

    left = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert left == ({keeps} if keeps else set())
    assert folder.exists() is bool(keeps)
    assert (folder / "stems").exists() is (keeps == "stems/mine.wav")
