"""Each studio takes its own part out of the state folder that all studios shared in earlier versions."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from config.load import load_settings
from config.places import common_state
from config.settings import Folders
from daemon.cli import main
from daemon.core.studio import incoming_key
from daemon.ledger.adopt import adopt_common_state
from daemon.ledger.ledger import Ledger, Record, ledger_path


@pytest.fixture(autouse=True)
def account(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "account"))
    return common_state()


def studio(base: Path, name: str) -> Folders:
    assert main(["init", str(base / name)]) == 0
    return load_settings(base / name / "beatintake.yaml").folders


def result(folders: Folders, ledger: Ledger, name: str, sha256: str) -> None:
    """A published beat with its row."""
    (folders.ready / name).mkdir()
    report = {"drop": {"name": f"{name}.wav", "producer": None, "sha256": sha256}}
    (folders.ready / name / f"{name}.report.json").write_text(json.dumps(report))
    ledger.record(
        Record(sha256, "ready", name, f"{name}.wav", summary={"key": "A minor"}), f"{name}.wav", b"m"
    )


def rows(folders: Folders) -> dict[str, str]:
    ledger = Ledger.open(ledger_path(folders.state))
    try:
        return {record.sha256[:2]: record.folder for record in ledger.history()}
    finally:
        ledger.close()


def test_two_studios_have_a_state_each(tmp_path: Path) -> None:
    first, second = studio(tmp_path, "one"), studio(tmp_path, "two")

    assert first.state != second.state
    assert first.state.name.startswith("one-")
    assert not adopt_common_state(first)
    assert not first.state.exists()


def test_a_mixed_ledger_is_parted(tmp_path: Path, account: Path) -> None:
    first, second, third = (studio(tmp_path, name) for name in ("one", "two", "three"))
    ledger = Ledger.open(ledger_path(account))
    result(first, ledger, "amber", "aa" * 32)
    result(second, ledger, "basalt", "bb" * 32)
    ledger.record(Record("cc" * 32, "ready", "amber", "cedar.wav"))  # the second's, removed since
    ledger.close()
    for folders in (first, second):
        (account / f"service-{incoming_key(folders.incoming)}.lock").touch()
    (account / "corrections").mkdir()
    (account / "corrections" / f"{'aa' * 32}.json").write_text("{}")
    (account / "paused").touch()

    assert adopt_common_state(first)
    assert adopt_common_state(second)
    assert not adopt_common_state(first)  # once
    assert not adopt_common_state(third)
    assert rows(first) == {"aa": "amber"}
    assert rows(second) == {"bb": "basalt"}
    assert (first.state / "corrections" / f"{'aa' * 32}.json").exists()
    assert (first.state / "paused").exists()
    assert not third.state.exists()
    ledger = Ledger.open(ledger_path(account))
    assert ledger.count("ready") == 3  # the old one is as it was
    assert list(first.state.parent.glob(".taking-over-*")) == []


def test_an_only_studio_keeps_all_its_rows(tmp_path: Path, account: Path) -> None:
    only = studio(tmp_path, "one")
    ledger = Ledger.open(ledger_path(account))
    ledger.record(Record("cc" * 32, "ready", "removed since", "cedar.wav"), "cedar.wav", b"m")
    ledger._db.execute("INSERT INTO attempts VALUES(?, 0, 0, 1, '')", ("dd" * 32,))  # running
    ledger.close()
    (account / f"service-{incoming_key(only.incoming)}.lock").touch()

    assert adopt_common_state(only)
    assert rows(only) == {"cc": "removed since"}
    taken = Ledger.open(ledger_path(only.state))
    assert list(taken.drops()) == [("cedar.wav", b"m", "cc" * 32)]
    assert taken.note_interrupted() == 1


def test_a_damaged_one_leaves_the_studio_to_its_folders(tmp_path: Path, account: Path) -> None:
    only = studio(tmp_path, "one")
    account.mkdir(parents=True)
    ledger_path(account).write_bytes(b"no ledger" * 1000)

    assert not adopt_common_state(only)
    assert not only.state.exists()


def test_a_state_folder_that_is_named_takes_nothing_over(tmp_path: Path, account: Path) -> None:
    only = studio(tmp_path, "one")
    result(only, Ledger.open(ledger_path(account)), "amber", "aa" * 32)

    assert not adopt_common_state(only.model_copy(update={"state": tmp_path / "named"}))


def test_commands_take_over_before_they_look(
    tmp_path: Path, account: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    only = studio(tmp_path, "one")
    ledger = Ledger.open(ledger_path(account))
    result(only, ledger, "amber", "aa" * 32)
    ledger.close()

    main(["--config", str(tmp_path / "one" / "beatintake.yaml"), "status"])

    assert "amber: no tempo, A minor" in capsys.readouterr().out
    assert only.state.is_dir()
