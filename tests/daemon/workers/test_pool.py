"""Workers that crash, hang and eat are replaced; the others never notice."""

from __future__ import annotations

import os
import platform
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from daemon.core.errors import DiskFull, InternalError
from daemon.workers.pool import Died, Done, Failed, Stage, Task, WorkerEvent, WorkerPool
from daemon.workers.process import Setup, resolve
from tests.daemon.service_kit import PATIENCE_S

HERE = str(Path(__file__).parent)


def pids_of(pool: WorkerPool) -> list[int]:
    return [worker.process.pid or 0 for worker in pool._workers]


@pytest.fixture
def setup(tmp_path: Path) -> Setup:
    return Setup(memory_bytes=1 << 30, nice=0, stderr=tmp_path / "worker.stderr")


@pytest.fixture
def pool(setup: Setup) -> Iterator[WorkerPool]:
    pool = WorkerPool(1, setup)
    pool.start()
    pool.wait_until_warm()
    yield pool
    pool.stop()


def ask(
    pool: WorkerPool, function: str, *arguments: Any, timeout_s: float = PATIENCE_S, stages: bool = False
) -> list[WorkerEvent]:
    """Run one task to its end; every event about it."""
    while not pool.idle:
        pool.poll(0.1)
    pool.submit(Task("t", function, arguments, timeout_s, stages))
    events: list[WorkerEvent] = []
    limit = time.monotonic() + PATIENCE_S
    while not any(isinstance(r, Done | Failed | Died) for r in events):
        assert time.monotonic() < limit
        events += pool.poll(0.1)
    return events


def test_a_result_comes_back(pool: WorkerPool) -> None:
    assert ask(pool, "tests.daemon.worker_tasks:add", 2, 3) == [Done("t", 5)]


def test_stages_are_reported_in_order(pool: WorkerPool) -> None:
    events = ask(pool, "tests.daemon.worker_tasks:in_stages", stages=True)

    assert events == [Stage("t", "one"), Stage("t", "two"), Done("t", "end")]


def test_one_worker_keeps_its_process(pool: WorkerPool) -> None:
    assert ask(pool, "os:getpid") == ask(pool, "os:getpid")


def test_our_errors_come_back_as_they_are(pool: WorkerPool) -> None:
    [event] = ask(pool, "tests.daemon.worker_tasks:full")
    assert isinstance(event, Failed)

    assert isinstance(event.error, DiskFull)
    assert event.error.args == ("ready", "no space left", "free some")


def test_a_full_disk_is_the_machines_trouble_even_when_nobody_caught_it(pool: WorkerPool) -> None:
    [event] = ask(pool, "tests.daemon.worker_tasks:write_to_a_full_disk")
    assert isinstance(event, Failed)

    assert isinstance(event.error, DiskFull)


def test_other_errors_become_internal_ones_with_the_trace_and_the_worker_is_replaced(
    pool: WorkerPool,
) -> None:
    before = ask(pool, "os:getpid")
    [event] = ask(pool, "tests.daemon.worker_tasks:bug")
    assert isinstance(event, Failed)
    assert isinstance(event.error, InternalError)

    assert "ZeroDivisionError" in event.detail
    assert ask(pool, "os:getpid") != before


@pytest.mark.parametrize(
    ("number", "words"),
    [(signal.SIGKILL, "SIGKILL"), (signal.SIGSEGV, "SIGSEGV"), (signal.SIGABRT, "SIGABRT")],
)
def test_a_killed_worker_is_reported_and_replaced(pool: WorkerPool, number: int, words: str) -> None:
    [event] = ask(pool, "tests.daemon.worker_tasks:kill_me", int(number))
    assert isinstance(event, Died)

    assert words in event.reason
    assert ask(pool, "tests.daemon.worker_tasks:add", 1, 1) == [Done("t", 2)]


def test_a_worker_that_exits_is_reported(pool: WorkerPool) -> None:
    [event] = ask(pool, "os:_exit", 7)
    assert isinstance(event, Died)

    assert "exit code 7" in event.reason


def test_the_last_words_of_a_dead_worker_are_kept(pool: WorkerPool) -> None:
    [event] = ask(pool, "tests.daemon.worker_tasks:complain_and_die")
    assert isinstance(event, Died)

    assert "mpg123 says goodbye" in event.detail


@pytest.mark.parametrize("function", ["tests.daemon.worker_tasks:hang", "tests.daemon.worker_tasks:spin"])
def test_the_deadline_is_kept_by_the_parent(pool: WorkerPool, function: str) -> None:
    [event] = ask(pool, function, timeout_s=0.5)  # the tasks themselves never end
    assert isinstance(event, Died)

    assert event.reason == "it took longer than the 0.5 s allowed"


@pytest.mark.skipif(sys.platform != "linux", reason="RLIMIT_AS is kept on Linux")
def test_too_much_memory_is_an_error_of_that_task(pool: WorkerPool) -> None:
    [event] = ask(pool, "tests.daemon.worker_tasks:eat", 2 << 30)
    assert isinstance(event, Died)

    assert event.reason == "it needed more than the 1024 MB allowed"


def test_the_parent_watches_memory_where_the_system_does_not(
    pool: WorkerPool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.workers.handle.Worker.rss", lambda self: 5 << 30)
    [event] = ask(pool, "tests.daemon.worker_tasks:hang")
    assert isinstance(event, Died)

    assert "1024 MB" in event.reason


def test_an_idle_worker_is_never_killed_for_its_age(
    pool: WorkerPool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.workers.handle.START_TIMEOUT_S", 0.0)
    pids = pids_of(pool)
    pool.poll(0.3)

    assert pids_of(pool) == pids
    assert psutil.pid_exists(pids[0])


def test_a_grown_worker_is_replaced_between_tasks(setup: Setup) -> None:
    from dataclasses import replace

    pool = WorkerPool(1, replace(setup, recycle_bytes=1))
    pool.start()
    try:
        assert ask(pool, "os:getpid") != ask(pool, "os:getpid")
    finally:
        pool.stop()


def test_a_suspended_task_stands_still_and_so_does_its_clock(
    pool: WorkerPool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "ticks"
    pool.submit(Task("t", "tests.daemon.worker_tasks:tick", (str(file), 4), PATIENCE_S))
    while not file.exists():
        pool.poll(0.05)
    pool.suspend("t")
    time.sleep(0.2)
    size = file.stat().st_size
    real = time.monotonic
    monkeypatch.setattr(time, "monotonic", lambda: real() + 2 * PATIENCE_S)  # more than the task is allowed
    for _ in range(3):
        assert pool.poll(0.2) == []
    assert file.stat().st_size == size
    assert pool.suspended("t")
    pool.resume("t")
    events: list[WorkerEvent] = []
    while not events:
        events = pool.poll(0.5)

    assert events == [Done("t", 4)]


def test_an_extra_worker_comes_and_goes(pool: WorkerPool) -> None:
    pool.extra = 1
    while pool.idle < 2:
        pool.poll(0.1)
    pool.extra = 0
    pool.poll(0.01)

    assert len(pids_of(pool)) == 1


def test_workers_die_with_their_parent(tmp_path: Path) -> None:
    import subprocess

    code = (
        f"import sys; sys.path[:0] = [{HERE!r}, {str(Path(HERE).parent.parent)!r}]\n"
        "from daemon.workers.pool import Task, WorkerPool\n"
        "from daemon.workers.process import Setup\n"
        "pool = WorkerPool(1, Setup(memory_bytes=1 << 30))\n"
        "pool.start(); pool.wait_until_warm()\n"
        "pool.submit(Task('t', 'tests.daemon.worker_tasks:spin', (), 60.0))\n"
        "print(pool._workers[0].process.pid, flush=True); pool.poll(60)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    limit = time.monotonic() + PATIENCE_S
    while psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE:
        assert time.monotonic() < limit
        time.sleep(0.02)


def test_the_worker_yields_and_has_one_thread(setup: Setup) -> None:
    from dataclasses import replace

    pool = WorkerPool(1, replace(setup, nice=10))
    pool.start()
    try:
        [event] = ask(pool, "tests.daemon.worker_tasks:describe")
    finally:
        pool.stop()
    assert isinstance(event, Done)

    assert event.value["nice"] == min(os.nice(0) + 10, 19)  # 19: as far as it goes
    assert event.value["threads"] == "1"
    assert event.value["ionice"] in (None, "idle")
    assert event.value["core"] in (None, 0)
    assert event.value["ignores_ctrl_c"]


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries have other heaps")
def test_the_threads_of_a_worker_share_one_heap(pool: WorkerPool, tmp_path: Path) -> None:
    assert ask(pool, "tests.daemon.worker_tasks:heaps", str(tmp_path / "heaps.xml")) == [Done("t", 1)]


def test_stop_kills_what_runs_and_leaves_no_process(setup: Setup) -> None:
    pool = WorkerPool(2, setup)
    pool.start()
    while pool.idle < 2:
        pool.poll(0.1)
    pids = pids_of(pool)
    pool.submit(Task("t", "tests.daemon.worker_tasks:spin", (), 60.0))
    pool.stop()

    assert not any(psutil.pid_exists(pid) for pid in pids)


def test_a_worker_that_cannot_start_is_tried_with_pauses(
    setup: Setup, monkeypatch: pytest.MonkeyPatch
) -> None:
    from daemon.core.errors import MachineError

    monkeypatch.setattr("daemon.workers.handle.work", _cannot)
    monkeypatch.setattr("daemon.workers.pool.START_PAUSE_S", 0.01)
    pool = WorkerPool(1, setup)
    pool.start()
    with pytest.raises(MachineError, match="cannot be started"):
        pool.wait_until_warm(PATIENCE_S)
    pool.stop()


def _cannot(pipe: object, setup: object) -> None:
    os._exit(3)


def test_functions_are_named_by_module() -> None:
    assert resolve("os:getpid") is os.getpid
