"""From the start of the service to the first drop: in which order things are begun, and nothing waits."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from config.settings import Settings
from daemon.core.errors import AlreadyRunning
from daemon.pipeline.steps import IDENTIFY
from daemon.service import entry
from daemon.workers.pool import WorkerEvent
from tests.daemon.inline import InlinePool, opened
from tests.daemon.service_kit import drop, ready, settings_for

WORKERS_FIRST = """
import sys
from config.settings import Settings
from daemon.service import entry

def start(pool):
    print("service" if "daemon.service.service" in sys.modules else "workers")
    sys.exit(0)

entry.WorkerPool.start = start
entry.run_service(Settings.model_validate_json({settings!r}))
"""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return settings_for(tmp_path)


def test_a_drop_that_waits_goes_before_the_board(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    drop(settings, "amber.wav", b"!beat")
    with opened(settings, monkeypatch) as one:
        one.until(lambda: ready(settings) == ["amber"] and not one.board.busy, "the beat and the board")

    assert one.pool.calls == [IDENTIFY, "tests.daemon.fake_jobs:obedient", "tests.daemon.fake_jobs:board"]


def test_the_work_begins_in_the_very_turn_in_which_a_worker_gets_warm(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Cold(InlinePool):
        """Its worker is warm when it has been asked after a drop has begun to wait."""

        warm = False

        @property
        def idle(self) -> int:
            return int(self.warm)

        def poll(self, timeout_s: float, wake: Any = ()) -> list[WorkerEvent]:
            self.warm = one.arrivals.next_waiting(1e12) is not None
            return super().poll(0.0 if self.warm else timeout_s, wake)

    drop(settings, "amber.wav", b"!beat")
    with opened(settings, monkeypatch, Cold) as one:
        one.state = "starting"
        one.until(lambda: one.pool.idle, "a warm worker")

        assert one.state == "running"
        assert one.pool.calls == [IDENTIFY]


def test_the_workers_are_started_before_the_service_is_loaded(settings: Settings) -> None:
    code = WORKERS_FIRST.format(settings=settings.model_dump_json())
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.splitlines()[-1] == "workers"


def test_a_second_service_starts_no_worker(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    with entry.Gate(settings) as first:
        assert len(first.pool._workers) == settings.work.max_workers
        second = entry.Gate(settings)
        monkeypatch.setattr(second.pool, "start", lambda: pytest.fail("a worker was started"))
        with pytest.raises(AlreadyRunning), second:
            pass
    assert not first.pool._workers
