"""The same bytes under another name: every name is known, and each is asked for what it means."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from config.settings import Settings
from daemon.ledger.ledger import PACK, Ledger, Record, ledger_path
from daemon.ledger.othernames import MOST_NAMES, other_names, read_other_names
from daemon.ops.status import as_lines, read_status
from daemon.pipeline.find import find_ready

SHA = "1" * 64


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    folders = {name: tmp_path / name for name in ("incoming", "ready", "rejected", "state")}
    for folder in folders.values():
        folder.mkdir()
    (folders["ready"] / "amber").mkdir()
    with closing(Ledger.open(ledger_path(folders["state"]))) as ledger:
        ledger.record(Record(SHA, "ready", "amber", "amber.wav", "tin-roof"), "tin-roof/amber.wav", b"1")
        ledger.record_drop("tin-roof/night.wav", b"2", SHA)
        ledger.record_drop("lowlight/amber.wav", b"3", SHA)
    return Settings(folders=folders)


def test_names_are_those_that_differ_and_say_whose_they_are(settings: Settings) -> None:
    names = read_other_names(ledger_path(settings.folders.state))
    assert names == {SHA: ("lowlight/amber.wav", "night.wav")}


def test_status_names_them_and_each_finds_the_beat(settings: Settings) -> None:
    status = read_status(settings)
    assert status.results[0]["also"] == ["lowlight/amber.wav", "night.wav"]
    assert any(
        "(also delivered as lowlight/amber.wav, night.wav)" in line for line in as_lines(status, settings)
    )
    assert find_ready(settings.folders, "night").name == "amber"


def test_there_are_not_too_many_and_a_file_named_elsewhere_is_no_other_name(tmp_path: Path) -> None:
    with closing(Ledger.open(tmp_path / "l")) as ledger:
        ledger.record(Record(SHA, "ready", "amber", "amber.wav"), "/a/amber.wav", b"1")
        ledger.record_drop("/b/amber.wav", b"1", SHA)
        assert other_names(ledger) == {}
        for k in range(50):
            ledger.record_drop(f"/c/{k}.wav", b"1", SHA)
        assert len(other_names(ledger)[SHA]) == MOST_NAMES


def test_the_pack_that_a_beat_came_in_is_no_producer(tmp_path: Path) -> None:
    with closing(Ledger.open(tmp_path / "l")) as ledger:
        for path, producer in (("two.zip", None), ("mira/two beats", "mira")):
            sha256, pack = (f"{len(path):064}", f"{len(path) + 1:064}")
            ledger.record(Record(pack, PACK, "", path, producer, summary={"mixes": {}}), path, b"0")
            ledger.record(Record(sha256, "ready", "a", "a.wav", producer), f"{path}/a.wav", b"1")
        assert other_names(ledger) == {}
        ledger.record_drop("two.zip/inside/b.wav", b"1", sha256)
        assert other_names(ledger) == {sha256: ("b.wav",)}


def test_no_ledger_or_a_damaged_one_knows_none(tmp_path: Path) -> None:
    assert read_other_names(tmp_path / "none") == {}
    (tmp_path / "l").write_bytes(b"x" * 5000)
    assert read_other_names(tmp_path / "l") == {}


def test_a_place_two_folders_deep_is_its_own(tmp_path: Path) -> None:
    with closing(Ledger.open(tmp_path / "l")) as ledger:
        ledger.record(
            Record(SHA, "ready", "amber", "amber.wav", "tin-roof/new"), "tin-roof/new/amber.wav", b"1"
        )
        assert other_names(ledger) == {}
        ledger.record_drop("tin-roof/amber.wav", b"1", SHA)
        assert other_names(ledger) == {SHA: ("tin-roof/amber.wav",)}
