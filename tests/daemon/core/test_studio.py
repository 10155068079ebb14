"""Whose state folder it is, and whether the output folders are those of last time."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from config.settings import Folders
from daemon.core import studio
from daemon.core.errors import ConfigError
from daemon.core.studio import claim, other_outputs, refuse_shared


def folders_at(base: Path, **others: Path) -> Folders:
    names = ("incoming", "ready", "rejected", "state")
    folders = Folders(**{name: base / name for name in names} | others)
    for name in names:
        getattr(folders, name).mkdir(parents=True, exist_ok=True)
    return folders


def test_a_state_folder_belongs_to_one_studio(tmp_path: Path) -> None:
    first = folders_at(tmp_path / "first")
    second = folders_at(tmp_path / "second", state=first.state)
    claim(first)
    refuse_shared(first)

    with pytest.raises(ConfigError, match=r"belongs to the studio with folders\.incoming .*first/incoming"):
        refuse_shared(second)


def test_other_outputs_of_the_same_incoming_folder_are_asked_about(tmp_path: Path) -> None:
    first = folders_at(tmp_path)
    claim(first)
    second = folders_at(tmp_path, ready=tmp_path / "elsewhere")

    with pytest.raises(ConfigError, match="if the folder has moved, remove"):
        refuse_shared(second)
    shutil.rmtree(first.ready)
    refuse_shared(second)  # it has moved: nothing is left there


def test_the_folders_of_last_time_are_known_again(tmp_path: Path) -> None:
    folders = folders_at(tmp_path)
    assert other_outputs(folders) is None  # nothing known yet
    claim(folders)
    written = (folders.state / "studio.json").stat().st_mtime_ns
    claim(folders)

    assert other_outputs(folders) is None
    assert (folders.state / "studio.json").stat().st_mtime_ns == written


def test_a_folder_that_a_person_emptied_is_the_same(tmp_path: Path) -> None:
    folders = folders_at(tmp_path)
    claim(folders)
    shutil.rmtree(folders.ready)

    assert other_outputs(folders) is None
    folders.ready.mkdir()
    assert other_outputs(folders) is None


@pytest.mark.parametrize("name", ["ready", "rejected"])
def test_another_disk_in_its_place_is_not(tmp_path: Path, name: str) -> None:
    folders = folders_at(tmp_path)
    claim(folders)
    (getattr(folders, name) / ".studio").write_text(json.dumps({"id": "another"}))

    text = other_outputs(folders)

    assert text is not None
    assert text.startswith(f"folders.{name}: ")
    assert "not the folder of last time" in text


def test_a_disk_that_is_not_mounted_is_found_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folders = folders_at(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(studio, "_place", lambda folder: [str(folder), 17])  # a mount point of its own
        claim(folders)
    (folders.ready / ".studio").unlink()

    text = other_outputs(folders)

    assert text is not None
    assert "on another file system than last time (is its disk or share not mounted?)" in text


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="mounts a small disk")
def test_a_real_disk_that_is_away_and_comes_back(tmp_path: Path) -> None:
    folders, disk = folders_at(tmp_path), tmp_path / "ready"
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("no mount here")
    try:
        claim(folders)
        mark = (disk / ".studio").read_bytes()
    finally:
        subprocess.run(["umount", disk], check=True)
    assert "another file system" in str(other_outputs(folders))
    subprocess.run(mount, check=True)
    try:
        assert "another file system" in str(other_outputs(folders))  # a fresh disk, not that of last time
        (disk / ".studio").write_bytes(mark)
        assert other_outputs(folders) is None
    finally:
        subprocess.run(["umount", disk], check=True)
