"""Decisions on a drop between its steps; `tests/daemon/test_reliability_*.py` have those of failure."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daemon.inline import opened
from tests.daemon.service_kit import drop, ready, settings_for


def test_same_content_twice_at_once_is_analysed_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with opened(settings_for(tmp_path, work={"nice": 0, "max_workers": 2}), monkeypatch) as one:
        one.pool.hold = True
        drop(one.settings, "beat.wav", b"same")
        one.until(lambda: one.pool.held, "the first to be analysed")
        drop(one.settings, "mira/copy of beat.wav", b"same")
        waiting = lambda: [e for e in one.arrivals.entries.values() if "another name" in e.why]  # noqa: E731
        one.until(waiting, "the second to wait for the first")
        assert len(one.pool.held) == 1
        one.pool.hold = False
        one.pool.let()
        one.until(lambda: one.settled() and len(one.arrivals.done) == 2)

        assert ready(one.settings) == ["beat"]
        assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == 1
