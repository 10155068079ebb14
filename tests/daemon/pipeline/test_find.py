"""A ready beat is found by its folder and by every name under which it was delivered."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.settings import Folders
from daemon.core.errors import WrongRequest
from daemon.ledger.ledger import Ledger, Record, ledger_path
from daemon.pipeline.find import find_ready

SONG = "\u05e9\u05d9\u05e8"  # Hebrew: song


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    made = Folders(**{name: tmp_path / name for name in ("incoming", "ready", "rejected", "state")})
    for name in ("beat~e2a1c0de", "amber lane", "amber lake"):
        (made.ready / name).mkdir(parents=True)
    ledger = Ledger.open(ledger_path(made.state))
    # as an older version made it: its folder's name says nothing
    ledger.record(Record("1" * 64, "ready", "beat~e2a1c0de", f"{SONG}.wav"), f"tin-roof/{SONG}.wav", b"m")
    ledger.record_drop("other/na\u00efve.wav", b"n", "1" * 64)
    ledger.record(Record("2" * 64, "rejected", "zinc", "zinc.wav"))
    ledger.close()
    return made


@pytest.mark.parametrize("name", [SONG, f"{SONG}.wav", "NAIVE", "beat~e2", "ready/beat~e2a1c0de/"])
def test_it_is_found_by_all_its_names(folders: Folders, name: str) -> None:
    assert find_ready(folders, name) == folders.ready / "beat~e2a1c0de"


def test_without_a_ledger_folders_are_found(folders: Folders) -> None:
    ledger_path(folders.state).write_bytes(b"no database at all, but a file of that name" * 100)
    assert find_ready(folders, "AMBER LAN") == folders.ready / "amber lane"


@pytest.mark.parametrize("name", ["zinc", "amber l", ""])
def test_none_or_several_is_the_persons_mistake(folders: Folders, name: str) -> None:
    with pytest.raises(WrongRequest):
        find_ready(folders, name)
