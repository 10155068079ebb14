"""The command `process` as a process: nothing of it lives on, and nothing private stays, however it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from daemon.core.folders import clear_abandoned
from tests.daemon.service_kit import settings_for, wait_for
from tests.faults.kit import beat

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="process groups and signals")


def begin(base: Path, seconds: float) -> subprocess.Popen[bytes]:
    """In a process group of its own, which names every helper."""
    (base / "beats").mkdir(exist_ok=True)
    (base / "beats" / "a.wav").write_bytes(beat(1, seconds))
    command = [sys.executable, "-m", "daemon.cli", "process", str(base / "beats"), "--to", str(base / "out")]
    account = {
        "HOME": str(base / "home"),
        "XDG_STATE_HOME": str(base / "account"),
        "XDG_CONFIG_HOME": str(base / "account"),
    }
    environment = {**os.environ, **account}
    return subprocess.Popen(command, start_new_session=True, env=environment, stderr=subprocess.DEVNULL)


def group_of(process: subprocess.Popen[bytes]) -> list[int]:
    """What lives in the group, the command itself left out."""
    found = []
    for other in psutil.process_iter():
        try:
            living = other.status() != psutil.STATUS_ZOMBIE
            if living and other.pid != process.pid and os.getpgid(other.pid) == process.pid:
                found.append(other.pid)
        except (psutil.Error, ProcessLookupError):
            continue
    return found


def test_no_process_outlives_it(tmp_path: Path) -> None:
    process = begin(tmp_path, 3.0)
    assert process.wait(120) == 0

    assert group_of(process) == []
    assert (tmp_path / "out" / "a").is_dir()


def test_folders_that_it_made_and_did_not_need_are_gone(tmp_path: Path) -> None:
    """Of an output folder that somebody named; what was there before stays, and so does what is needed."""
    out = tmp_path / "out"
    assert begin(tmp_path, 3.0).wait(120) == 0
    visible = [path.name for path in out.iterdir() if not path.name.startswith(".")]
    assert sorted(visible) == ["a", "index.html"]
    assert not (tmp_path / "home" / "beatintake").exists(), "the incoming folder is none of its own"

    (out / "rejected").mkdir()
    assert begin(tmp_path, 3.0).wait(120) == 0
    assert (out / "rejected").is_dir(), "it was there before"
    (out / "rejected").rmdir()
    (tmp_path / "beats" / "b.wav").write_bytes(b"RIFF is all there is")
    assert begin(tmp_path, 3.0).wait(120) == 3
    assert (out / "rejected" / "b").is_dir()
    assert not (out / "underway").exists()


def test_a_stop_leaves_no_process_and_nothing_private(tmp_path: Path) -> None:
    process = begin(tmp_path, 240.0)
    staging = tmp_path / "out" / ".staging"
    wait_for(lambda: list(staging.glob("batch-*")), "the work to begin", 120)
    process.send_signal(signal.SIGTERM)

    assert process.wait(60) == 130
    assert group_of(process) == []
    assert os.listdir(staging) == []


def test_what_a_kill_leaves_is_cleared_at_the_next_start(tmp_path: Path) -> None:
    process = begin(tmp_path, 240.0)
    staging = tmp_path / "out" / ".staging"
    wait_for(lambda: list(staging.glob("batch-*")), "the work to begin", 120)
    settings = settings_for(tmp_path, folders={"ready": tmp_path / "out"})
    assert clear_abandoned(settings) == 0  # its maker lives
    process.kill()
    process.wait()
    limit = time.monotonic() + 10
    while group_of(process) and time.monotonic() < limit:  # the workers die with it, by the kernel
        time.sleep(0.02)

    assert group_of(process) == []
    assert clear_abandoned(settings) == 1
    assert os.listdir(staging) == []
