"""How one drop is worked on."""

from __future__ import annotations

import os

import pytest

from config.settings import Settings
from daemon.pipeline.job import second_thread


@pytest.mark.parametrize(
    ("processors", "workers", "beside"), [(2, 1, True), (2, 2, False), (4, 2, True), (1, 1, False)]
)
def test_a_second_thread_needs_a_processor_to_spare(
    monkeypatch: pytest.MonkeyPatch, processors: int, workers: int, beside: bool
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: processors)
    with second_thread(Settings.model_validate({"work": {"max_workers": workers}})) as thread:
        assert (thread is not None) == beside
