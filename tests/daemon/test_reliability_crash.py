"""Rows 23 to 28 and 37 of daemon/RELIABILITY.md: crashes, limits and shutdown, on a real service.

Each test is named after its row.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

import pytest

from daemon.service import control
from tests.daemon.inline import Opener, opened
from tests.daemon.service_kit import (
    busy_worker,
    count_events,
    drop,
    log_events,
    no_leftovers,
    ready,
    reason,
    rejected,
    running,
    settings_for,
    start,
    state,
    stop,
    wait_for,
)
from tests.faults.kit import no_orphans, workers_of

RUN = "tests.daemon.fake_jobs:obedient"


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
        worker = wait_for(lambda: busy_worker(settings), "the worker to be busy")
        for number in range(3):
            drop(settings, f"next{number}.wav", b"next %d" % number)
        time.sleep(0.3)
        os.kill(worker, signal.SIGKILL)
        wait_for(lambda: len(ready(settings)) == 3)
        wait_for(lambda: rejected(settings) == ["slow"])


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
