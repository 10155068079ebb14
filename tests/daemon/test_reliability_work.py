"""Rows 29 to 40 of daemon/RELIABILITY.md: what can go wrong around the work.

Each test is named after its row. Decisions are tested in this process.
"""

from __future__ import annotations

import errno
import json
import logging
import os
import shutil
import signal
import socket
import time
from pathlib import Path
from typing import Any

import psutil
import pytest

from config.settings import Settings
from daemon.core import atomic
from daemon.core.errors import AlreadyRunning
from daemon.core.logs import set_up
from daemon.core.problems import Problems
from daemon.service import control
from daemon.service.lock import ServiceLock
from daemon.service.presence import is_locked
from tests.daemon.inline import Opener
from tests.daemon.service_kit import (
    PATIENCE_S,
    busy_worker,
    drop,
    no_leftovers,
    ready,
    rejected,
    running,
    settings_for,
    start,
    wait_for,
)

RUN = "tests.daemon.fake_jobs:obedient"


@pytest.mark.parametrize("seconds", [1, 2**33 - 1, -1])
def test_row_29_modification_times_mean_nothing(service: Opener, seconds: int) -> None:
    one = service()
    path = one.settings.folders.incoming / "beat.wav"
    path.write_bytes(b"x")
    os.utime(path, (seconds, seconds))

    one.until(lambda: ready(one.settings) == ["beat"])


@pytest.mark.parametrize("jump", [86400.0, -86400.0])
def test_row_29_clock_jump(service: Opener, monkeypatch: pytest.MonkeyPatch, jump: float) -> None:
    one = service(arrival={"rescan_seconds": 1, "watch": "native"})
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + jump)
    monkeypatch.setattr("daemon.ingest.watch._Handler.on_any_event", lambda self, event: None)
    drop(one.settings, "beat.wav", b"x")

    one.until(lambda: ready(one.settings) == ["beat"])  # found by the monotonic re-scan


def test_row_30_two_services_on_one_folder(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    with running(settings) as first:
        second = start(settings)
        assert second.wait(PATIENCE_S) != 0
        text = (settings.folders.state / "stderr.txt").read_text()
        assert f"another beatintake service already works on this folder (process {first.pid} on" in text
        first.kill()
        first.wait()
        assert not is_locked(settings.folders.state, settings.folders.incoming)
        with running(settings):
            drop(settings, "beat.wav", b"x")
            wait_for(lambda: ready(settings) == ["beat"])


def test_row_30_other_outputs_of_the_same_incoming_folder_must_be_asked_for(tmp_path: Path) -> None:
    first = settings_for(tmp_path)
    others = {name: tmp_path / "second" / name for name in ("ready", "rejected", "state")}
    second = settings_for(tmp_path, folders=others)
    asked = settings_for(tmp_path, folders=others, arrival={"shared": True})
    account = {"XDG_STATE_HOME": str(tmp_path / "account")}
    with running(first, environment=account) as process:
        refused = start(second, environment=account)
        assert refused.wait(20) != 0
        text = (second.folders.state / "stderr.txt").read_text()
        assert f"(process {process.pid}), with its results in {first.folders.ready}; stop that one" in text
        with running(asked, environment=account):
            drop(first, "beat.wav", b"x")
            wait_for(lambda: ready(first) == ready(asked) == ["beat"])
    with running(second, environment=account):
        pass  # the guard ends with its holder


class TestRow30OtherMachines:
    """Two machines on one share: a second state folder, another host name, and a claim that moves or stands
    still.
    """

    def locks(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[ServiceLock, ServiceLock]:
        for name in ("incoming", "ready", "state-a", "state-b"):
            (tmp_path / name).mkdir()
        made = []
        for host in ("a", "b"):
            monkeypatch.setattr("socket.gethostname", lambda host=host: host)
            made.append(ServiceLock(tmp_path / f"state-{host}", tmp_path / "incoming", tmp_path / "ready"))
        return made[0], made[1]

    def test_row_30_refused_while_the_other_machine_lives(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        first, second = self.locks(tmp_path, monkeypatch)
        first.acquire()

        with pytest.raises(AlreadyRunning, match="on a"):
            second.acquire(sleep=lambda _: first.beat())

        second.release()
        first.beat()  # still ours

    def test_row_30_taken_over_when_the_other_machine_is_dead(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        first, second = self.locks(tmp_path, monkeypatch)
        first.acquire()
        slept: list[float] = []
        second.acquire(sleep=slept.append)
        assert sum(slept) >= 60

        with pytest.raises(AlreadyRunning):  # it wakes up again: its next beat finds out
            first.beat()

    def test_row_30_a_stop_is_heard_while_waiting(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from daemon.service.entry import Gate
        from daemon.service.service import Service

        settings = settings_for(tmp_path / "x")
        claim = settings.folders.ready / ".staging" / "claim.json"
        claim.parent.mkdir()
        claim.write_text(json.dumps({"id": "other", "host": "elsewhere", "pid": 1, "beat": 7}))
        with Gate(settings) as gate:
            gate.flags.stop = 1
            assert Service(settings, gate).run() == 0

        assert json.loads(claim.read_text())["id"] == "other"

    def test_row_30_two_that_take_over_at_once(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        first, second = self.locks(tmp_path, monkeypatch)
        first.acquire()
        claim = tmp_path / "ready" / ".staging" / "claim.json"

        def third_writes_last(seconds: float) -> None:
            if seconds > 1.0:
                claim.write_text(json.dumps({"id": "third", "host": "c", "pid": 1, "beat": 0}))

        with pytest.raises(AlreadyRunning, match="on c"):
            second.acquire(sleep=third_writes_last)


@pytest.mark.parametrize("when", ["during", "after"])
@pytest.mark.parametrize("how", ["in place", "by rename", "same size and time"])
def test_row_32_replaced_under_the_same_name(service: Opener, when: str, how: str) -> None:
    one = service()
    one.pool.hold = when == "during"
    path = drop(one.settings, "beat.wav", b"first")
    before = path.stat()
    one.until(lambda: one.pool.held if when == "during" else one.settled() and ready(one.settings))
    if how == "by rename":
        (path.parent / ".new").write_bytes(b"other")
        os.replace(path.parent / ".new", path)
    else:
        path.write_bytes(b"other")
    if how == "same size and time":
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    one.pool.let()
    one.pool.hold = False
    one.until(lambda: one.settled() and len(ready(one.settings)) == (1 if when == "during" else 2))
    contents = {
        next((one.settings.folders.ready / n).glob("*.wav")).read_bytes() for n in ready(one.settings)
    }

    assert contents == ({b"other"} if when == "during" else {b"first", b"other"})


def test_row_33_same_content_under_another_name(service: Opener) -> None:
    one = service()
    drop(one.settings, "beat.wav", b"same")
    one.until(lambda: ready(one.settings))
    drop(one.settings, "mira/copy of beat.wav", b"same")
    one.until(lambda: "mira/copy of beat.wav" in one.arrivals.done)

    assert ready(one.settings) == ["beat"]
    assert one.pool.calls.count(RUN) == 1


def test_row_33_a_removed_result_is_made_again_when_dropped_again(service: Opener) -> None:
    one = service()
    drop(one.settings, "beat.wav", b"same")
    one.until(lambda: ready(one.settings))
    shutil.rmtree(one.settings.folders.ready / "beat")
    one.turn(0.3)
    assert ready(one.settings) == []  # removing is no wish for more work
    drop(one.settings, "again.wav", b"same")

    one.until(lambda: ready(one.settings) == ["again"])


def test_row_34_withdrawn_during_the_work(service: Opener) -> None:
    one = service()
    one.pool.hold = True
    path = drop(one.settings, "beat.wav", b"x")
    one.until(lambda: one.pool.held)
    path.unlink()
    one.pool.let()
    one.until(one.settled)

    assert (ready(one.settings), rejected(one.settings), dict(one.problems.current)) == ([], [], {})
    no_leftovers(one.settings)


def test_row_34_withdrawn_while_waiting(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service()
    control.pause_path(one.settings.folders.state).touch()
    path = drop(one.settings, "beat.wav", b"x")
    one.until(lambda: any(e.phase == "waiting" for e in one.arrivals.entries.values()))
    monkeypatch.setattr("daemon.ingest.watch._Handler.on_any_event", lambda self, event: None)
    path.unlink()
    control.resume_service(one.settings)
    one.until(one.settled)

    assert ready(one.settings) == []


class TestRow35ConfigChange:
    def test_row_35_a_valid_change_is_taken_over(self, service: Opener, tmp_path: Path) -> None:
        one = service()
        one.config_path = self.write(
            tmp_path, one.settings, "work: {max_workers: 3}\narrival: {watch: polling}"
        )
        one.flags.reload = True
        one._tick()

        assert one.settings.work.max_workers == one.pool.count == 3
        assert one.watch.mode == "polling"

    @pytest.mark.parametrize(
        "text", ["work: {max_workers: none}", "work: [", "folders: {incoming: /elsewhere}"]
    )
    def test_row_35_a_broken_one_changes_nothing(self, service: Opener, tmp_path: Path, text: str) -> None:
        one = service()
        before = one.settings
        one.config_path = self.write(tmp_path, one.settings, text)
        one.flags.reload = True
        one._tick()

        assert one.settings is before

    @staticmethod
    def write(tmp_path: Path, settings: Settings, text: str) -> Path:
        path = tmp_path / "beatintake.yaml"
        folders = {name: str(folder) for name, folder in settings.folders.model_dump().items()}
        path.write_text(text if "folders" in text else f"folders: {json.dumps(folders)}\n{text}\n")
        return path


def test_row_36_a_lasting_condition_is_logged_when_it_begins_and_ends() -> None:
    lines: list[str] = []
    handler = logging.Handler()
    handler.emit = lambda record: lines.append(record.getMessage())  # type: ignore[method-assign]
    logger = logging.getLogger("beatintake.problems")
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    problems = Problems()
    for _ in range(1000):
        problems.raise_("incoming", "it is away")
    problems.clear("incoming")
    logger.removeHandler(handler)

    assert lines == ["problem", "problem over"]


def test_row_36_the_log_is_bounded(tmp_path: Path) -> None:
    from config.settings import Log
    from daemon.core.logs import note

    set_up(Log(file_mb=0.01, files=3), tmp_path, terminal=False)
    for number in range(2000):
        note(logging.getLogger("beatintake.test"), logging.INFO, "something happened", number=number)

    assert len(list(tmp_path.iterdir())) == 3
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) < 35_000


def test_row_38_outputs_inside_the_incoming_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"folders\.ready lies inside folders\.incoming"):
        Settings.model_validate({"folders": {"incoming": tmp_path, "ready": tmp_path / "ready"}})


def test_row_38_reading_causes_no_work(service: Opener) -> None:
    one = service()
    path = drop(one.settings, "beat.wav", b"x")
    one.until(lambda: ready(one.settings) and one.settled())
    one.turn(0.3)
    before = len(one.pool.calls)
    for _ in range(20):
        path.read_bytes()
        one._tick()

    assert one.inbox.take() == ({}, set())
    assert len(one.pool.calls) == before


def test_row_39_a_busy_file_is_tried_again(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    """What Windows answers while a virus scanner or a copy has the file."""
    one = service()
    real, left = os.open, [3]

    def fake(path: Any, *more: Any, **named: Any) -> int:
        if str(path).endswith("beat.wav") and left[0]:
            left[0] -= 1
            raise OSError(errno.EBUSY, "Device or resource busy")
        return real(path, *more, **named)

    monkeypatch.setattr(os, "open", fake)
    drop(one.settings, "beat.wav", b"x")
    one.until(lambda: ready(one.settings) == ["beat"])

    assert left == [0]


def test_row_39_a_blocked_rename_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, left = os.replace, [2]

    def fake(*paths: Any) -> None:
        if left[0]:
            left[0] -= 1
            raise PermissionError(errno.EACCES, "in use by another program")
        real(*paths)

    monkeypatch.setattr(atomic, "WINDOWS", True)
    monkeypatch.setattr(atomic.os, "replace", fake)
    monkeypatch.setattr(atomic.time, "sleep", lambda _: None)
    monkeypatch.setattr(atomic, "sync_folder", lambda _: None)
    atomic.atomic_write(tmp_path / "x", b"1")

    assert (tmp_path / "x").read_bytes() == b"1"


def test_pause_halts_and_resume_goes_on(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    with running(settings):
        go_on = tmp_path / "go-on"
        drop(settings, "one.wav", b"!wait %s\n" % bytes(go_on))
        worker = wait_for(lambda: busy_worker(settings), "the worker")
        control.pause_service(settings)
        wait_for(lambda: psutil.Process(worker).status() == psutil.STATUS_STOPPED)
        drop(settings, "two.wav", b"two")
        go_on.touch()
        time.sleep(1.0)
        assert ready(settings) == []
        control.resume_service(settings)
        wait_for(lambda: ready(settings) == ["one", "two"])


def test_quiet_hours_start_nothing(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service(work={"quiet_hours": ["00:00-00:00"]})
    drop(one.settings, "beat.wav", b"x")
    one.until(lambda: any(e.phase == "waiting" for e in one.arrivals.entries.values()))
    one.turn(0.3)
    assert RUN not in one.pool.calls
    monkeypatch.setattr("daemon.service.control.is_quiet", lambda minute, spans: False)

    one.until(lambda: ready(one.settings))


def test_small_drops_overtake_a_long_one(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    with running(settings, more="from daemon.service import preemption; preemption.LONG_S = 0.3"):
        go_on = tmp_path / "go-on"
        drop(settings, "two-hours.wav", b"!wait %s\n" % bytes(go_on) + b"x" * 100_000)
        wait_for(lambda: busy_worker(settings), "the long one to run")
        for number in range(3):
            drop(settings, f"small{number}.wav", b"small %d" % number)
        wait_for(lambda: len(ready(settings)) == 3)
        assert ready(settings) == ["small0", "small1", "small2"]
        go_on.touch()
        wait_for(lambda: "two-hours" in ready(settings))


def test_once_works_on_what_is_there_and_says_how_it_went(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop(settings, "good.wav", b"good")
    assert start(settings, once=True).wait(PATIENCE_S) == 0
    drop(settings, "bad.wav", b"!damaged\n")
    assert start(settings, once=True).wait(PATIENCE_S) == 3

    assert (ready(settings), rejected(settings)) == (["good"], ["bad"])
    assert (settings.folders.state / "board.txt").read_text() == "good"


def test_the_service_manager_hears_of_it(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(PATIENCE_S)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "200000"}
        with running(settings, environment=environment) as process:
            heard = [manager.recv(1000).decode()]
            while "READY=1" not in heard[-1]:
                heard.append(manager.recv(1000).decode())
            pings = []
            while len(pings) < 3:
                pings += [time.monotonic()] if "WATCHDOG=1" in manager.recv(1000).decode() else []
            process.send_signal(signal.SIGHUP)
            while "RELOADING=1" not in manager.recv(1000).decode():
                pass
            process.terminate()
            while "STOPPING=1" not in manager.recv(1000).decode():
                pass

    assert pings[-1] - pings[0] < 9.0  # unasked, it would take twice its 5 s


def test_no_ping_from_a_service_that_is_deaf(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service()
    sent: list[str] = []
    monkeypatch.setattr("daemon.service.supervisor.notify", lambda *lines: sent.extend(lines))
    monkeypatch.setattr("daemon.service.supervisor.LIVENESS_S", 0.0)
    one._beat(time.monotonic(), force=True)
    assert "WATCHDOG=1" in sent
    monkeypatch.setattr(one.watch, "problem", lambda: "the watcher has died")
    sent.clear()
    one.turn(0.2)
    one._beat(time.monotonic(), force=True)

    assert "WATCHDOG=1" not in sent
    assert any("watcher has died" in text for text in one.problems.texts().values())


def test_a_trouble_ends_with_the_drop_that_had_it(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service()
    path = drop(one.settings, "beat.wav", b"!full\n")
    one.until(lambda: "disk" in one.problems.current)
    path.unlink()
    drop(one.settings, "other.wav", b"other")
    one.until(lambda: one.settled() and not one.problems.current)
