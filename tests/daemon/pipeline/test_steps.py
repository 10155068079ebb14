"""What a worker's answer means, the same for the service and a batch."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.settings import Arrival, Settings
from daemon.batch.batch import Item
from daemon.core.errors import (
    BeatintakeError,
    ChangedWhileReading,
    DiskFull,
    DropWithdrawn,
    InternalError,
    NotAudio,
)
from daemon.decode.identity import Identity
from daemon.pipeline.job import JobResult
from daemon.pipeline.steps import (
    Ask,
    Decision,
    Failure,
    Identified,
    Postpone,
    Publish,
    Reject,
    Split,
    StartOver,
    Step,
    decide,
)
from daemon.workers.pool import Died, Done, Failed

SHA = "ab" * 32
READY = JobResult("ready", "amber", SHA)


def item(step: Step) -> Item:
    known = SHA if step is Step.RUN else None
    return Item(Path("/in/amber.wav"), step=step, sha256=known, staging=Path("/out/x"))


@pytest.mark.parametrize(
    ("step", "value", "decision"),
    [
        (Step.IDENTIFY, Identity(SHA, {"": (SHA, 3)}), Identified(SHA)),
        (Step.RUN, READY, Publish(READY)),
        (Step.RUN, JobResult("rejected", "amber", None, "too short."), Reject("too short.")),
        (Step.RUN, JobResult("rejected", "amber", SHA), Reject("no reason given")),
        (Step.RUN, JobResult("pack", "a", SHA, "r", {"mixes": {"a": ["b"]}}), Split({"a": ["b"]})),
        (Step.RUN, JobResult("question", "a", SHA, "which?", {"mixes": {}}), Ask("which?", {})),
        (Step.RUN, JobResult("ready", "a", "cd" * 32), StartOver("it was replaced while it was being read")),
    ],
)
def test_an_answer_leads_to_the_next_step_or_an_end(step: Step, value: object, decision: Decision) -> None:
    assert decide(item(step), Done("1", value)) == decision


@pytest.mark.parametrize("step", Step)
@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (NotAudio("amber.wav", "it is text", "drop audio"), Reject),
        (ChangedWhileReading("amber.wav", "it changed"), StartOver),
        (DropWithdrawn("amber.wav", "it went"), StartOver),
        (DiskFull("/out", "no space"), Postpone),
        (InternalError("analysis", "a bug"), Failure),
    ],
)
def test_who_must_act_decides_what_an_error_means(
    step: Step, error: BeatintakeError, kind: type[Decision]
) -> None:
    assert isinstance(decide(item(step), Failed("1", error, "trace")), kind)


@pytest.mark.parametrize("step", Step)
def test_a_lost_worker_is_a_failure_with_its_last_output(step: Step) -> None:
    assert decide(item(step), Died("1", "killed", "stderr")) == Failure("killed", "stderr")


def test_every_step_is_given_what_the_settings_ignore() -> None:
    settings = Settings(arrival=Arrival(ignore=("*.bounce.wav",)))
    for step in (Step.IDENTIFY,):
        assert item(step).task("1", settings, "now").arguments[1] == ("*.bounce.wav",)
    [request] = item(Step.RUN).task("1", settings, "now").arguments
    assert request.settings is settings


def test_a_record_is_fit_to_be_shown_and_its_path_exact() -> None:
    drop = Item(Path("/in/a\u202eb.wav"), producer="c\nd", sha256=SHA)
    record = drop.record("ready", "a", "x\x1b", 1.0, {"key": "C major"})

    assert (record.name, record.producer, record.reason) == ("a\\u202eb.wav", "c\\x0ad", "x\\x1b")
    assert record.summary == {"key": "C major", "path": "/in/a\u202eb.wav"}
    assert record.sha256 == SHA
    assert Item(Path("/in/x.wav"), stat_digest=b"\1").subject == "drop:01"
    assert Item(Path("/in/x.wav")).subject == "drop:/in/x.wav"
