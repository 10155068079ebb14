"""How one drop is worked on."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import soundfile as sf

from config.settings import Settings
from daemon.pipeline.job import JobRequest, run_job, second_thread
from demo.render import render
from demo.scenario import demo_spec


@pytest.mark.parametrize(
    ("processors", "workers", "beside"), [(2, 1, True), (2, 2, False), (4, 2, True), (1, 1, False)]
)
def test_a_second_thread_needs_a_processor_to_spare(
    monkeypatch: pytest.MonkeyPatch, processors: int, workers: int, beside: bool
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: processors)
    with second_thread(Settings.model_validate({"work": {"max_workers": workers}})) as thread:
        assert (thread is not None) == beside


def test_a_second_thread_changes_no_byte_of_what_is_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    samples, _ = render(demo_spec(11, "boombap", 92.0, 3, "minor", 0.84))
    beat = tmp_path / "beat.wav"
    sf.write(beat, samples, 44100, subtype="PCM_24")
    made = []
    for processors in (1, 2):
        monkeypatch.setattr(os, "cpu_count", lambda count=processors: count)
        folder = tmp_path / str(processors)
        settings = Settings.model_validate(
            {"folders": {"state": folder / "state", "ready": folder / "ready"}}
        )
        for name in ("staging", "state", "ready"):
            (folder / name).mkdir(parents=True)
        run_job(JobRequest(beat, folder / "staging", settings, stamp="2026-03-01T12:00:00+00:00"))
        made.append(
            {path.name: path.read_bytes() for path in (folder / "staging").iterdir() if path.is_file()}
        )
    one, two = made
    assert len(one) > 6
    assert one == two
