"""The folders are the truth: what the ledger has lost or has wrong is read back before publishing."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from config.settings import Folders
from daemon.ledger import visible
from daemon.ledger.ledger import Record
from daemon.ledger.rebuild import open_or_rebuild
from daemon.pipeline.publication import Results

A, B = "aa" * 32, "bb" * 32


def put(root: Path, folder: str, sha256: str) -> Path:
    """A published folder; in rejected/ when that is the root's name."""
    (root / folder).mkdir(parents=True)
    facts = {"drop": {"name": f"{folder}.wav", "producer": None, "sha256": sha256}, "reason": "damaged"}
    name = "rejected.json" if root.name == "rejected" else f"{folder}.report.json"
    (root / folder / name).write_text(json.dumps(facts))
    return root / folder


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    names = ("incoming", "ready", "rejected", "state")
    for name in names:
        (tmp_path / name).mkdir()
    return Folders(**{name: tmp_path / name for name in names})


def opened(folders: Folders) -> tuple[Results, str | None]:
    ledger, remark = open_or_rebuild(folders.state / "ledger.sqlite3", folders.ready, folders.rejected)
    return Results(folders, ledger), remark


@pytest.mark.parametrize("damage", ["no bytes", "an older copy", "older copies of all its files"])
def test_a_ledger_that_opens_but_lost_rows(folders: Folders, damage: str) -> None:
    path = folders.state / "ledger.sqlite3"
    results, _ = opened(folders)
    results.ledger.record(Record(A, "ready", "amber", "amber.wav"))
    put(folders.ready, "amber", A)
    results.ledger.close()
    older = {file.name: file.read_bytes() for file in folders.state.glob("ledger*")}
    results, remark = opened(folders)
    assert remark is None
    put(folders.ready, "basalt", B)
    results.ledger.record(Record(B, "ready", "basalt", "basalt.wav"))
    results.ledger.close()
    for file in folders.state.glob("ledger*"):
        file.unlink()
    if damage == "no bytes":
        path.write_bytes(b"")
    else:
        for name, data in older.items():
            (folders.state / name).write_bytes(data)

    results, remark = opened(folders)

    assert remark is not None
    assert "lost rows" in remark
    assert {results.known(sha256).folder for sha256 in (A, B)} == {"amber", "basalt"}  # type: ignore[union-attr]
    assert results.ledger.count("ready") == 2


def test_a_row_that_is_missing_is_found_while_the_service_runs(folders: Folders) -> None:
    results, _ = opened(folders)
    put(folders.ready, "amber", A)

    known = results.known(A)

    assert known is not None
    assert results.ledger.find(A) == known


def test_the_folder_of_another_content_is_not_this_ones_result(folders: Folders) -> None:
    """An older copy names a folder that another drop got meanwhile."""
    results, _ = opened(folders)
    results.ledger.record(Record(A, "ready", "amber", "amber.wav"))
    put(folders.ready, "amber", B)

    assert results.known(A) is None
    assert results.known(B) is not None


def test_a_renamed_folder_is_still_the_result(folders: Folders) -> None:
    results, _ = opened(folders)
    results.ledger.record(Record(A, "ready", "amber", "amber.wav", summary={"key": "E flat minor"}))
    put(folders.ready, "amber", A).rename(folders.ready / "amber, take 2")

    known = results.known(A)

    assert known is not None
    assert (known.folder, known.summary) == ("amber, take 2", {"key": "E flat minor"})
    shutil.rmtree(folders.ready / known.folder)
    assert results.known(A) is None


def test_a_copied_folder_changes_nothing(folders: Folders) -> None:
    results, _ = opened(folders)
    results.ledger.record(Record(A, "ready", "beat", "amber.wav"))
    put(folders.ready, "beat", A)
    put(folders.ready, "a copy of it", A)

    assert results.known(A) == results.ledger.find(A)
    assert results.known(A).folder == "beat"  # type: ignore[union-attr]


def test_a_rejection_is_found_too(folders: Folders) -> None:
    results, _ = opened(folders)
    put(folders.rejected, "bad", A)

    known = results.known(A)

    assert known is not None
    assert (known.outcome, known.reason) == ("rejected", "damaged")


def test_folders_that_have_not_changed_are_not_read_again(
    folders: Folders, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(5):
        put(folders.ready, f"beat{number}", f"{number:064d}")
    opened(folders)[0].ledger.close()
    read: list[str] = []
    real = visible.report_of

    def reading(folder: Path, outcome: str) -> Record | None:
        read.append(folder.name)
        return real(folder, outcome)

    monkeypatch.setattr(visible, "report_of", reading)
    results, remark = opened(folders)
    put(folders.ready, "new", A)
    os.utime(folders.ready / "beat3", (1, 1))
    results.known(A)

    assert remark is None
    assert sorted(set(read)) == ["beat3", "new"]


def test_what_we_have_published_is_not_read_again(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    results, _ = opened(folders)
    staged = put(folders.ready / ".staging", "job-1", A)
    results.appear(staged, Record(A, "ready", "amber", "amber.wav"), "amber.wav", b"m")
    monkeypatch.setattr(visible, "report_of", lambda *read: pytest.fail(f"read: {read}"))
    os.utime(folders.ready, (1, 1))  # the board was written beside it

    assert results.visible.look() == 0
    assert results.known(A).folder == "amber"  # type: ignore[union-attr]


def test_our_own_results_cause_no_new_look(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    results, _ = opened(folders)
    results.known(A)
    listed: list[Path] = []
    real = visible._folders

    def listing(root: Path) -> list[tuple[str, str]]:
        listed.append(root)
        return real(root)

    monkeypatch.setattr(visible, "_folders", listing)
    staged = put(folders.ready / ".staging", "job-1", A)
    (staged / "job-1.report.json").rename(staged / "amber.report.json")
    results.visible.look()
    listed.clear()
    results.appear(staged, Record(A, "ready", "amber", "amber.wav"), "amber.wav", b"m")

    assert results.known(A).folder == "amber"  # type: ignore[union-attr]
    assert results.known(B) is None
    assert listed == []
