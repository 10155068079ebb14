"""Rows 21 and 22 of daemon/RELIABILITY.md: folders, disks and a ledger that refuse, are full, away or broken.

Each test is named after its row.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.core import atomic
from daemon.ops.status import read_status
from daemon.service.heartbeat import read_heartbeat
from daemon.service.presence import is_locked
from tests.daemon.inline import Opener, opened
from tests.daemon.service_kit import (
    count_events,
    drop,
    no_leftovers,
    ready,
    rejected,
    running,
    settings_for,
    start,
    state,
    stop,
    visible,
    wait_for,
)
from tests.faults.disk import cover_read_only, fill

RUN = "tests.daemon.fake_jobs:obedient"


@pytest.mark.skipif(sys.platform == "win32", reason="permission bits")
def test_row_21_permission_denied_then_granted() -> None:
    prefix: tuple[str, ...] = ()
    if os.geteuid() == 0:  # root may read everything: become somebody else
        prefix = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
        spawn = "import multiprocessing as m; p = m.get_context('spawn').Process(target=print); p.start(); "
        probe = [*prefix, sys.executable, "-c", f"{spawn} p.join(); raise SystemExit(p.exitcode)"]
        if not shutil.which("setpriv") or subprocess.run(probe, capture_output=True).returncode:
            pytest.skip("the service cannot be run as another user here")
    with tempfile.TemporaryDirectory() as base:
        settings = settings_for(Path(base), arrival={"rescan_seconds": 1})
        path = drop(settings, "beat.wav", b"closed")
        for folder, _, _ in os.walk(base):
            os.chmod(folder, 0o777)
        path.chmod(0)
        with running(
            settings, prefix=prefix, more="from daemon.ingest import settling; settling.RETRY_DENIED_S = 0.2"
        ):
            wait_for(lambda: count_events(settings, "not taken yet") == 1)
            path.chmod(0o644)
            wait_for(lambda: ready(settings) == ["beat"])


def test_row_21_permission_denied_is_shown_and_tried_again(
    service: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.ingest.settling.RETRY_DENIED_S", 0.1)
    one = service()
    real, refuse = os.open, True

    def fake(path: Any, *more: Any, **named: Any) -> int:
        if refuse and str(path).endswith("beat.wav"):
            raise PermissionError(errno.EACCES, "Permission denied")
        return real(path, *more, **named)

    monkeypatch.setattr(os, "open", fake)
    drop(one.settings, "beat.wav", b"closed")
    one.until(lambda: any(e.why == "it may not be read" for e in one.arrivals.entries.values()))
    refuse = False

    one.until(lambda: ready(one.settings) == ["beat"])


def test_row_21_read_only_output(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.2,))
    one = service()
    real, refuse = Path.mkdir, True

    def fake(self: Path, *more: Any, **named: Any) -> None:
        if refuse and "job-" in self.name:
            raise OSError(errno.EROFS, "Read-only file system")
        real(self, *more, **named)

    monkeypatch.setattr(Path, "mkdir", fake)
    drop(one.settings, "beat.wav", b"x")
    one.until(lambda: "work" in one.problems.current)
    assert "make the folder writable" in one.problems.current["work"].text
    refuse = False
    one.until(lambda: ready(one.settings) == ["beat"])

    assert not one.problems.current


def test_row_22_disk_full_before_the_work(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service(limits={"free_space_mb": 10})
    free = 1 << 20
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=free))
    drop(one.settings, "beat.wav", b"x")
    one.until(lambda: "disk" in one.problems.current)
    assert RUN not in one.pool.calls
    free = 1 << 40
    one.until(lambda: ready(one.settings))

    assert "disk" not in one.problems.current


@pytest.mark.parametrize("where", ["the job", "fsync", "rename", "rejection"])
def test_row_22_disk_full_during_the_work(
    service: Opener, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.2,))
    one = service()
    path = drop(
        one.settings, "beat.wav", {"the job": b"!full\n", "rejection": b"!damaged\n"}.get(where, b"x")
    )

    def full(*_: Any, **__: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    if where in ("fsync", "rename"):
        monkeypatch.setattr(atomic.os, where, full)
    elif where == "rejection":
        monkeypatch.setattr(Path, "write_text", full)
    one.until(lambda: "disk" in one.problems.current)
    assert visible(one.settings.folders.ready) in ([], ["index.html"])
    assert rejected(one.settings) == []
    monkeypatch.undo()
    monkeypatch.setattr("tests.daemon.fake_jobs.INLINE", True)
    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.2,))
    if where == "the job":
        path.write_bytes(b"now it fits")
    one.until(lambda: ready(one.settings) + rejected(one.settings) == ["beat"])

    no_leftovers(one.settings)


def test_a_locked_ledger_only_delays(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    import sqlite3

    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.2,))
    one = service()
    one.ledger._db.execute("PRAGMA busy_timeout=50")
    other = sqlite3.connect(one.ledger.path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    drop(one.settings, "beat.wav", b"x")
    one.until(lambda: {"work", "service"} & set(one.problems.current))
    assert ready(one.settings) == []
    other.execute("ROLLBACK")

    one.until(lambda: ready(one.settings) == ["beat"] and not one.problems.current)


def test_upkeep_on_a_full_disk_does_not_end_the_service(
    service: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = service()

    def full(*_: Any, **__: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("daemon.service.housekeeping.write_digest", full)
    one.inbox.ask("digest")
    one.until(lambda: "service" in one.problems.current)
    monkeypatch.undo()
    one.until(lambda: "service" not in one.problems.current)


def test_a_record_that_could_not_be_written_is_completed_not_repeated(
    service: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    from daemon.core.errors import MachineError

    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.2,))
    one = service()
    real, left = one.ledger.record, [1]

    def fail_once(*what: Any) -> None:
        if left[0]:
            left[0] -= 1
            raise MachineError("ledger", "locked", "wait")
        real(*what)

    monkeypatch.setattr(one.ledger, "record", fail_once)
    drop(one.settings, "beat.wav", b"x")
    one.until(lambda: not left[0] and one.settled())

    assert ready(one.settings) == ["beat"]
    assert one.pool.calls.count(RUN) == 1


def test_a_ledger_damaged_under_our_hands_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sqlite3

    from daemon.service.repair import replace_ledger

    settings = settings_for(tmp_path)
    with opened(settings, monkeypatch) as one:
        drop(settings, "a.wav", b"a")
        one.until(lambda: ready(settings))
        replace_ledger(one, sqlite3.DatabaseError("malformed"))
        drop(settings, "b.wav", b"b")
        one.until(lambda: len(ready(settings)) == 2 and one.settled())

        assert ready(settings) == ["a", "b"]


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="mounts a small disk")
@pytest.mark.parametrize("name", ["ready", "rejected"])
def test_an_output_disk_that_is_away_stops_the_work_until_it_is_back(tmp_path: Path, name: str) -> None:
    """At the start and under a running service; below the mount point nothing is ever written."""
    disk, away = tmp_path / name, tmp_path / "disk"
    disk.mkdir()
    away.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "tmpfs", away], capture_output=True).returncode:
        pytest.skip("no mount here")
    quick = "from daemon.service import outputs, service; service.LIVENESS_S = outputs.LOOK_S = 0.3"
    mount, umount = ["mount", "--bind", away, disk], ["umount", "-l", disk]

    def shown() -> str:
        return str(read_status(settings_for(tmp_path)).problems)

    try:
        subprocess.run(mount, check=True)
        settings = settings_for(tmp_path)
        with running(settings, more=quick):
            drop(settings, "a.wav", b"a")
            drop(settings, "bad.wav", b"!damaged\n")
            wait_for(lambda: ready(settings) and rejected(settings))
        subprocess.run(umount, check=True)
        process = start(settings, more=quick)
        wait_for(lambda: state(settings) == "waiting")
        assert f"folders.{name}: {disk} is on another file system than last time" in shown()
        assert read_status(settings).running
        drop(settings, "b.wav", b"b")
        time.sleep(1.0)
        assert os.listdir(disk) == []
        subprocess.run(mount, check=True)
        wait_for(lambda: ready(settings) == ["a", "b"], timeout_s=60)
        subprocess.run(umount, check=True)
        wait_for(lambda: "another file system" in shown())
        drop(settings, "c.wav", b"c")
        time.sleep(1.0)
        assert os.listdir(disk) == []
        subprocess.run(mount, check=True)
        wait_for(lambda: ready(settings) == ["a", "b", "c"])
        wait_for(lambda: shown() == "{}")
        assert stop(process) == 0
        assert rejected(settings) == ["bad"]
    finally:
        for place in (disk, away):
            subprocess.run(["umount", "-l", place], capture_output=True)


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="mounts a small disk")
@pytest.mark.parametrize("trouble", ["full", "no inodes left", "read-only"])
@pytest.mark.parametrize("spare", [True, False])
def test_a_state_folder_that_cannot_be_written_is_told_at_once(
    tmp_path: Path, trouble: str, spare: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = tmp_path / "state"
    disk.mkdir()
    options = "size=3m,nr_inodes=200"
    if subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", disk], capture_output=True).returncode:
        pytest.skip("no mount here")
    place = tmp_path / ("runtime" if spare else "not there")
    (tmp_path / "runtime").mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(place))
    settings = settings_for(tmp_path)
    quick = "from daemon.service import supervisor; supervisor.HEARTBEAT_S = 0.2"
    try:
        with running(settings, more=quick) as process:
            if trouble == "read-only":
                cover_read_only(disk)
            elif trouble == "full":
                fill(disk)
            else:
                with contextlib.suppress(OSError):
                    for number in range(500):
                        (disk / f"filler{number}").touch()
            shown = wait_for(lambda: read_status(settings).problems.get("state"), "the trouble", 5)
            assert ("space" if trouble != "read-only" else "ead-only") in shown
            if spare:
                time.sleep(1.0)
                status = read_status(settings)
                assert (status.state, status.pid, status.responding) == ("running", process.pid, True)
                assert status.heartbeat_age_s is not None
                assert status.heartbeat_age_s < 1.5
            else:
                monkeypatch.setattr("daemon.ops.status.STALE_S", 0.0)
                assert read_status(settings).state == "cannot report"
                monkeypatch.undo()
                monkeypatch.setenv("XDG_RUNTIME_DIR", str(place))
            if trouble == "read-only":
                subprocess.run(["umount", "-l", disk], check=True)
            for filler in disk.glob("filler*"):
                filler.unlink()
            wait_for(lambda: not read_status(settings).problems, "the trouble to be over")
            drop(settings, "beat.wav", b"x")
            wait_for(lambda: ready(settings) == ["beat"])
        assert list((tmp_path / "runtime").iterdir()) == []
    finally:
        while os.path.ismount(disk):
            subprocess.run(["umount", "-l", disk], check=True)


@pytest.mark.parametrize(
    "damage",
    [
        "the folder is removed",
        "the ledger is removed",
        "no bytes are left",
        "it is scribbled over",
        "no bytes are left beside it",
    ],
)
def test_the_state_is_lost_under_a_running_service(tmp_path: Path, damage: str) -> None:
    settings = settings_for(tmp_path)
    folders = settings.folders
    quick = "from daemon.service import service; service.LIVENESS_S = 0.3"
    with running(settings, more=quick) as process:
        drop(settings, "a.wav", b"a")
        wait_for(lambda: ready(settings) == ["a"])
        if damage == "the folder is removed":
            shutil.rmtree(folders.state.rename(tmp_path / "gone"), ignore_errors=True)  # it is written into
        elif damage == "no bytes are left":
            (folders.state / "ledger.sqlite3").write_bytes(b"")
        elif damage == "it is scribbled over":
            (folders.state / "ledger.sqlite3").write_bytes(b"\xa5" * 4096)
        elif damage == "no bytes are left beside it":
            for path in folders.state.glob("ledger.sqlite3-*"):
                os.truncate(path, 0)
        else:
            (folders.state / "ledger.sqlite3").unlink()
        drop(settings, "a under another name.wav", b"a")
        drop(settings, "b.wav", b"b")
        wait_for(lambda: ready(settings) == ["a", "b"])
        wait_for(lambda: count_events(settings, "same bytes as before: nothing to do"))
        if damage == "the folder is removed":
            wait_for(lambda: "has been made anew" in str(read_heartbeat(folders.state)))
        assert is_locked(folders.state, folders.incoming)
        assert process.poll() is None
    with running(settings):
        drop(settings, "c.wav", b"c")
        wait_for(lambda: ready(settings) == ["a", "b", "c"])
