"""A beat that came in a zip of several is corrected like any other: by command, by file, without the zip."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections import deque
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from config.settings import Settings
from daemon.batch.batch import Batch, find_items
from daemon.core.folders import make_folders
from daemon.decode.identity import identify
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.pipeline.answers import store_answer
from daemon.pipeline.correct import correct_drop, correct_from_file, undo_correction
from daemon.pipeline.fromcopy import REMARK
from tests.daemon.batch.test_batch import InlineEngine, clicks
from tests.daemon.service_kit import ready, settings_for

NAMES = ("amber.wav", "inside/slate.wav")


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio in which a zip of two beats was split and published."""
    base = tmp_path_factory.mktemp("studio")
    settings = settings_for(base)
    make_folders(settings)
    path = settings.folders.incoming / "mira" / "two beats.zip"
    path.parent.mkdir()
    with zipfile.ZipFile(path, "w") as archive:
        for seed, name in enumerate(NAMES, 1):
            archive.write(clicks(base / "made" / name, bpm=100 + 20 * seed, seed=seed), name)
    store_answer(settings.folders.state, identify(path), path.name, "beats")
    with closing(Ledger.open(ledger_path(settings.folders.state))) as ledger:
        batch = Batch(settings, ledger, False, deque(find_items(path, settings)))
        endings = list(batch.run(InlineEngine()))
    assert [ended.how for ended in endings] == ["ready", "ready"]
    return base


@pytest.fixture
def settings(studio: Path, tmp_path: Path) -> Settings:
    """A copy of it. (What lay at the old place is found by name and content.)"""
    for name in ("incoming", "ready", "rejected", "state"):
        shutil.copytree(studio / name, tmp_path / name)
    with closing(Ledger.open(ledger_path(tmp_path / "state"))) as ledger:
        for path, digest, sha256 in list(ledger.drops()):
            ledger.forget_drops([path])
            ledger.record_drop(path.removeprefix(f"{studio}/incoming/"), digest, sha256)
    return settings_for(tmp_path)


def report_of(settings: Settings, name: str) -> dict[str, Any]:
    path = next((settings.folders.ready / name).glob("*.report.json"))
    return dict(json.loads(path.read_bytes()))


def tempo(settings: Settings, name: str) -> tuple[float, bool]:
    found = report_of(settings, name)["answers"]["tempo"]
    return found["value"], found["set_by_hand"]


def cut_from_the_copy(settings: Settings, name: str) -> bool:
    return REMARK in json.dumps(report_of(settings, name), ensure_ascii=False)


@pytest.mark.parametrize("gone", [False, True])
def test_by_command(settings: Settings, gone: bool) -> None:
    assert ready(settings) == ["amber", "slate"]
    if gone:
        (settings.folders.incoming / "mira" / "two beats.zip").unlink()
    before = {name: tempo(settings, name) for name in ready(settings)}
    correct_drop(settings, "Slate.wav", {"half": True})

    assert tempo(settings, "slate") == (before["slate"][0] / 2, True)
    assert tempo(settings, "amber") == before["amber"]
    assert cut_from_the_copy(settings, "slate") is gone
    undo_correction(settings, "slate")
    assert tempo(settings, "slate") == before["slate"]


@pytest.mark.parametrize("gone", [False, True])
def test_by_file(settings: Settings, gone: bool) -> None:
    if gone:
        (settings.folders.incoming / "mira" / "two beats.zip").unlink()
    folder = settings.folders.ready / "slate"
    (folder / "correction.yaml").write_text("tempo: 70\nbar one: +1 beat\n")
    outcome = correct_from_file(settings, folder)

    assert outcome.kind == "applied", outcome.text
    assert tempo(settings, "slate") == (70.0, True)
    assert (folder / "correction applied.yaml").exists()
    assert cut_from_the_copy(settings, "slate") is gone


def test_what_the_report_says_of_the_pack_stays(settings: Settings) -> None:
    correct_drop(settings, "slate", {"tempo": 70})
    drop = report_of(settings, "slate")["drop"]

    assert (drop["name"], drop["pack"]) == ("slate.wav", "two beats.zip")


def test_the_zip_under_another_name_is_still_the_source(settings: Settings) -> None:
    """Renamed while no service runs: it is found by what lies in it."""
    path = settings.folders.incoming / "mira" / "two beats.zip"
    path.rename(path.with_name("other name.zip"))
    correct_drop(settings, "slate", {"tempo": 70})

    assert not cut_from_the_copy(settings, "slate")
