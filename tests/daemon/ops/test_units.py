"""Service units and the doctor."""

from __future__ import annotations

import errno
import os
import plistlib
import shutil
import subprocess
import sys
from collections.abc import Iterator
from configparser import ConfigParser
from pathlib import Path

import pytest

from config.load import load_settings
from config.settings import Settings
from daemon.cli import main
from daemon.ops import doctor, units
from tests.daemon.service_kit import settings_for


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "my studio.yaml"
    path.write_text("folders: {incoming: in, ready: out, rejected: bad, state: 'st 100%'}\n")
    return path


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home" / ".config"))
    monkeypatch.setattr(units, "_try", lambda command: "not here")


def test_install_writes_and_names_the_unit_and_says_what_to_run(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert units.manage_unit("install", config, platform="linux") == 0
    path = tmp_path / "home" / ".config" / "systemd" / "user" / "beatintake.service"
    out = capsys.readouterr().out

    assert f"wrote {path}" in out
    assert "systemctl --user enable --now beatintake.service" in out
    unit = ConfigParser(interpolation=None, strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(path)
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["ExecStart"] == f'{sys.executable} -m daemon.cli --config "{config}" run'
    assert service["ReadOnlyPaths"] == str(tmp_path / "in")
    assert f'"{tmp_path}/st 100%%"' in service["ReadWritePaths"]
    assert service["RestartPreventExitStatus"] == "2 75"
    assert int(service["TimeoutStopSec"]) > 20
    assert service["MemoryMax"] == "8704M"  # two workers of 4096 MB and 512 MB for the service
    assert "$" not in path.read_text().replace("$MAINPID", "")


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not here")
def test_the_unit_is_accepted_by_its_own_checker(config: Path, tmp_path: Path) -> None:
    units.manage_unit("install", config, platform="linux")
    path = tmp_path / "home" / ".config" / "systemd" / "user" / "beatintake.service"
    (tmp_path / "run").mkdir()
    done = subprocess.run(
        ["systemd-analyze", "--user", "verify", path],
        capture_output=True,
        text=True,
        env={"XDG_RUNTIME_DIR": str(tmp_path / "run"), "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
    )

    assert "beatintake.service" not in done.stderr, done.stderr


def _notifying(config: Path, needs_network: str) -> str:
    config.write_text(f"{config.read_text()}notify: {{command: [send-it], needs_network: {needs_network}}}\n")
    return units.render_unit(load_settings(config), ["x"], "linux")


def test_the_unit_has_no_network_unless_the_notification_needs_it(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """systemd.exec(5): PrivateNetwork, RestrictAddressFamilies."""
    locked = _notifying(config, "false")
    assert units.LOCK_LINE in locked.splitlines()
    assert "RestrictAddressFamilies=AF_UNIX" in locked.splitlines()
    units.manage_unit("install", config, platform="linux")
    assert "send-it (notify.command) has no network under the systemd unit" in capsys.readouterr().out
    assert main(["--config", str(config), "check-config"]) == 0
    assert "set notify.needs_network: true" in capsys.readouterr().out


def test_a_notification_that_needs_a_network_gets_it_and_an_old_unit_is_told(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    units.manage_unit("install", config, platform=sys.platform)
    text = _notifying(config, "true")
    assert units.LOCK_LINE not in text
    assert "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6" in text.splitlines()
    (found,) = doctor.notification(load_settings(config))
    assert found.level == doctor.WRONG
    assert "keeps the service off the network" in found.text
    units.manage_unit("install", config, platform=sys.platform)
    assert list(doctor.notification(load_settings(config))) == []
    assert main(["--config", str(config), "check-config"]) == 0
    assert "note:" not in capsys.readouterr().out.rpartition("in order")[2]


def test_what_stops_a_check_is_a_sentence_and_leaves_what_it_had_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(settings: Settings) -> Iterator[doctor.Finding]:
        yield doctor.Finding(doctor.WRONG, "one", "is wrong")
        raise OSError(errno.EIO, os.strerror(errno.EIO), "/srv/beats")

    monkeypatch.setattr(doctor, "CHECKS", (broken,))

    assert doctor.examine(settings_for(tmp_path)) == 4
    out = capsys.readouterr().out
    assert "one: is wrong" in out
    assert "broken: /srv/beats: the disk or the share fails" in out
    assert "Errno" not in out
    assert "2 things are wrong" in out
    monkeypatch.setattr(doctor, "CHECKS", (lambda settings: iter([doctor.Finding(doctor.WRONG, "a", "b")]),))
    doctor.examine(settings_for(tmp_path))
    assert "1 thing is wrong" in capsys.readouterr().out


def test_uninstall_removes_it_and_nothing_else(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    units.manage_unit("install", config, platform="linux")
    assert units.manage_unit("uninstall", config, platform="linux") == 0
    assert not list((tmp_path / "home").rglob("*.service"))
    assert (tmp_path / "out").is_dir()
    capsys.readouterr()
    units.manage_unit("uninstall", config, platform="linux")

    assert "nothing to remove" in capsys.readouterr().out


def test_the_launch_agent_is_a_valid_property_list(config: Path, tmp_path: Path) -> None:
    units.manage_unit("install", config, platform="darwin")
    [path] = (tmp_path / "home" / "Library" / "LaunchAgents").iterdir()
    agent = plistlib.loads(path.read_bytes())

    assert agent["ProgramArguments"] == [sys.executable, "-m", "daemon.cli", "--config", str(config), "run"]
    assert agent["KeepAlive"] == {"SuccessfulExit": False}
    assert agent["LowPriorityIO"] is True


def test_show_writes_nothing(config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    units.manage_unit("show", config, platform="linux")

    assert "[Service]" in capsys.readouterr().out
    assert not (tmp_path / "home").exists()


def test_windows_is_told_what_to_do(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert units.manage_unit("install", config, platform="win32") == 4
    assert "schtasks /Create" in capsys.readouterr().out


def test_the_doctor_finds_nothing_wrong_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor, "CHECKS", tuple(c for c in doctor.CHECKS if c is not doctor.worker))

    assert doctor.examine(settings_for(tmp_path)) == 0
    assert "all in order" in capsys.readouterr().out


def test_the_doctor_says_what_is_wrong_and_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from types import SimpleNamespace

    settings = settings_for(tmp_path, limits={"free_space_mb": 500})
    shutil.rmtree(settings.folders.rejected)
    settings.folders.rejected.write_text("a file where a folder should be")
    (settings.folders.state / "ledger.sqlite3").write_bytes(b"garbage" * 1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=100 << 20))
    monkeypatch.setattr(doctor, "file_system_type", lambda _: "nfs4")
    monkeypatch.setattr(doctor, "watch_limit", lambda: 1)
    monkeypatch.setattr(doctor, "CHECKS", tuple(c for c in doctor.CHECKS if c is not doctor.worker))
    monkeypatch.setattr("soundfile.available_formats", lambda: {"WAV": ""})

    assert doctor.examine(settings) == 4
    out = capsys.readouterr().out
    assert "WRONG  space: 100 MB free for folders.ready -> free some" in out
    assert "WRONG  file system: folders.state is on nfs4" in out
    assert "WRONG  decoders" in out
    assert "FLAC, OGG, MP3" in out
    assert "WRONG  ledger" in out
    assert "WRONG  folders.rejected" in out
    assert "raise fs.inotify.max_user_watches" in out


def test_the_doctor_starts_a_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = settings_for(tmp_path)
    monkeypatch.setattr(doctor, "WARM_UP", "tests.daemon.fake_jobs:warm")
    [finding] = doctor.worker(settings)

    assert finding.level == "ok"
    monkeypatch.setattr(doctor, "WARM_UP", "tests.daemon.worker_tasks:bug")
    [finding] = doctor.worker(settings)
    assert finding.level == "WRONG"
