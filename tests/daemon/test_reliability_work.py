"""Rows 21 to 40 of daemon/RELIABILITY.md: what can go wrong while a drop is worked on, and around the work.

Each test is named after its row. Decisions are tested in this process; crashes and signals on a real service.
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psutil
import pytest

from config.settings import Settings
from daemon.core import atomic
from daemon.core.errors import AlreadyRunning
from daemon.core.logs import set_up
from daemon.core.problems import Problems
from daemon.ops.status import read_status
from daemon.service import control
from daemon.service.heartbeat import read_heartbeat
from daemon.service.lock import ServiceLock, is_locked
from tests.daemon.inline import InlineService, opened
from tests.daemon.service_kit import (
    PATIENCE_S,
    count_events,
    drop,
    log_events,
    ready,
    reason,
    rejected,
    running,
    settings_for,
    start,
    state,
    stop,
    visible,
    wait_for,
)
from tests.faults.disk import fill
from tests.faults.kit import no_orphans, workers_of

RUN = "tests.daemon.fake_jobs:obedient"
Opener = Callable[..., InlineService]


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Opener]:
    with contextlib.ExitStack() as stack:

        def make(**sections: dict[str, Any]) -> InlineService:
            return stack.enter_context(opened(settings_for(tmp_path, **sections), monkeypatch))

        yield make


def no_leftovers(settings: Settings) -> None:
    """Nothing private is left behind, and every published folder is whole."""
    for root in (settings.folders.ready, settings.folders.rejected):
        assert [p.name for p in (root / ".staging").iterdir() if p.name != "claim.json"] == []
    for name in ready(settings):
        folder = settings.folders.ready / name
        report = json.loads(next(folder.glob("*.report.json")).read_bytes())
        assert report["drop"]["sha256"]
        assert list(folder.glob("*.wav"))


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


def test_row_23_crash_in_the_middle_leaves_nothing_half(tmp_path: Path) -> None:
    """SIGKILL of the service while a drop is worked on; the harness in tests/faults does it at random
    points.
    """
    settings = settings_for(tmp_path)
    drop(settings, "beat.wav", b"!sleep-late 1\n")
    process = start(settings)
    wait_for(lambda: list((settings.folders.ready / ".staging").glob("job-*/*.wav")), "the job to write")
    process.kill()
    process.wait()
    assert ready(settings) == []
    with running(settings):
        wait_for(lambda: ready(settings) == ["beat"])
    no_leftovers(settings)


def test_row_24_power_loss_truncated_report_is_done_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order of the syncs is in test_publish. Here: a file system that lied leaves an empty report
    behind.
    """
    settings = settings_for(tmp_path)
    with opened(settings, monkeypatch) as one:
        drop(settings, "beat.wav", b"x")
        one.until(lambda: ready(settings))
    next((settings.folders.ready / "beat").glob("*.report.json")).write_bytes(b"\0" * 100)
    for path in settings.folders.state.glob("ledger*"):
        path.unlink()
    with opened(settings, monkeypatch) as one:
        one.until(one.settled)
        one.until(lambda: len(ready(settings)) == 2)


def test_row_25_poison_file_is_tried_twice_across_restarts(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, limits={"max_attempts": 2})
    path = drop(settings, "poison.wav", b"!segfault\n")
    process = start(settings)
    wait_for(lambda: count_events(settings, "analysis failed") == 1, "the first death")
    process.kill()
    process.wait()
    with running(settings):
        drop(settings, "good.wav", b"good")
        wait_for(lambda: rejected(settings) == ["poison"] and ready(settings) == ["good"])
        assert count_events(settings, "analysis failed") == 2
        text = reason(settings, "poison")
        assert "tried 2 times" in text
        assert "SIGSEGV" in text
        drop(settings, "same-poison.wav", path.read_bytes())
        wait_for(lambda: count_events(settings, "same bytes as before: nothing to do") == 1)

    assert path.exists()
    assert count_events(settings, "analysis failed") == 2


def test_row_25_retry_takes_a_rejected_drop_again(
    service: Opener, capsys: pytest.CaptureFixture[str]
) -> None:
    one = service()
    drop(one.settings, "bad.wav", b"!damaged\n")
    one.until(lambda: rejected(one.settings))
    assert control.retry_rejected(one.settings, ["bad"]) == 0
    one.until(lambda: one.pool.calls.count(RUN) == 2 and one.settled())

    assert rejected(one.settings) == ["bad"]
    assert "will be tried again: bad.wav" in capsys.readouterr().out


def test_row_26_dead_worker_does_not_take_the_innocent_along(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, limits={"max_attempts": 1})
    with running(settings):
        drop(settings, "slow.wav", b"!hang\n")
        worker = wait_for(lambda: _busy_worker(settings), "the worker to be busy")
        for number in range(3):
            drop(settings, f"next{number}.wav", b"next %d" % number)
        time.sleep(0.3)
        os.kill(worker, signal.SIGKILL)
        wait_for(lambda: len(ready(settings)) == 3)
        wait_for(lambda: rejected(settings) == ["slow"])


def _busy_worker(settings: Settings) -> int | None:
    facts = read_heartbeat(settings.folders.state) or {}
    if not any(job["stage"] == "analyse" for job in facts.get("running", [])):
        return None
    children = psutil.Process(facts["pid"]).children()
    return next((c.pid for c in children if "spawn_main" in " ".join(c.cmdline())), None)


@pytest.mark.skipif(sys.platform != "linux", reason="RLIMIT_AS is kept on Linux")
def test_row_27_memory_and_time_are_limited_per_drop(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, limits={"max_attempts": 1, "job_memory_mb": 512})
    with running(settings):
        drop(settings, "greedy.wav", b"!eat\n")
        drop(settings, "next.wav", b"next")
        wait_for(lambda: rejected(settings) == ["greedy"] and ready(settings) == ["next"])
        assert "512 MB" in reason(settings, "greedy")
    with running(settings, more="settings.limits.__dict__['job_timeout_seconds'] = 1.0"):
        drop(settings, "endless.wav", b"!spin\n")
        wait_for(lambda: rejected(settings) == ["endless", "greedy"])
        assert "took longer than the 1 s" in reason(settings, "endless")


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
        from daemon.service.service import Service

        settings = settings_for(tmp_path / "x")
        claim = settings.folders.ready / ".staging" / "claim.json"
        claim.parent.mkdir()
        claim.write_text(json.dumps({"id": "other", "host": "elsewhere", "pid": 1, "beat": 7}))
        one = Service(settings)
        one.flags.stop = 1

        assert one.run() == 0
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


@pytest.mark.parametrize("stage", ["identify", "analyse", "render"])
def test_row_37_shutdown_in_every_stage(tmp_path: Path, stage: str) -> None:
    order = {"identify": b"x", "analyse": b"!sleep 1\n", "render": b"!sleep-late 1\n"}[stage]
    settings = settings_for(tmp_path)
    drop(settings, "beat.wav", order)
    process = start(settings, grace=600.0)
    wait_for(lambda: state(settings) is not None, "the service to begin")
    if stage != "identify":
        wait_for(lambda: list((settings.folders.ready / ".staging").glob("job-*")), "the job")
    assert stop(process) == 0  # as soon as the work is done: the grace time would outlast `stop`
    no_leftovers(settings)
    if stage != "identify":
        assert ready(settings) == ["beat"]  # finished within the grace time
    with running(settings):
        wait_for(lambda: ready(settings) == ["beat"])
        time.sleep(0.5)
    assert sum(line["event"] == "ready" for line in log_events(settings)) == 1


def test_row_37_what_does_not_end_in_time_is_as_if_never_begun(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop(settings, "beat.wav", b"!hang\n")
    process = start(settings, grace=0.3)
    wait_for(lambda: list((settings.folders.ready / ".staging").glob("job-*")), "the job")
    workers = {worker.pid for worker in workers_of(process)}
    assert stop(process) == 0

    assert ready(settings) == []
    no_orphans(workers)
    no_leftovers(settings)


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
                subprocess.run(["mount", "--bind", disk, disk], check=True)
                subprocess.run(["mount", "-o", "remount,bind,ro", disk], check=True)
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


@pytest.mark.parametrize("damage", ["the folder is removed", "the ledger is removed", "no bytes are left"])
def test_the_state_is_lost_under_a_running_service(tmp_path: Path, damage: str) -> None:
    settings = settings_for(tmp_path)
    folders = settings.folders
    quick = "from daemon.service import service; service.LIVENESS_S = 0.3"
    with running(settings, more=quick) as process:
        drop(settings, "a.wav", b"a")
        wait_for(lambda: ready(settings) == ["a"])
        if damage == "the folder is removed":
            shutil.rmtree(folders.state)
        elif damage == "no bytes are left":
            (folders.state / "ledger.sqlite3").write_bytes(b"")
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


def test_pause_halts_and_resume_goes_on(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    with running(settings):
        go_on = tmp_path / "go-on"
        drop(settings, "one.wav", b"!wait %s\n" % bytes(go_on))
        worker = wait_for(lambda: _busy_worker(settings), "the worker")
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
        wait_for(lambda: _busy_worker(settings), "the long one to run")
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
