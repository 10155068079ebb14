"""What people wait for goes first, what they hold waits; decisions here, processes on a real service."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from config.settings import Settings
from daemon.core.errors import WrongRequest
from daemon.ingest.arrivals import Arrivals
from daemon.ops.status import as_lines, read_status
from daemon.ops.statuswatch import watched_lines
from daemon.service.order import FRONT, HOLD, ask_order, restore_order, set_order
from daemon.service.pace import LEAST_S, Pace
from tests.daemon.ingest.test_arrivals import beat, settled
from tests.daemon.service_kit import (
    PATIENCE_S,
    REPOSITORY,
    drop,
    ready,
    running,
    settings_for,
    start,
    stop,
    wait_for,
)


def waiting(*candidates: tuple[str, int]) -> Arrivals:
    arrivals = Arrivals(1.0)
    for key, size in candidates:
        settled(arrivals, beat(key, size))
    return arrivals


def next_key(arrivals: Arrivals, below: int | None = None) -> str | None:
    entry = arrivals.next_waiting(2.0, below)
    return entry.key if entry else None


def test_what_is_brought_forward_goes_before_smaller_ones_the_latest_wish_first() -> None:
    arrivals = waiting(("small.wav", 10), ("big.wav", 10**9), ("huge.wav", 10**10))
    assert next_key(arrivals) == "small.wav"
    arrivals.bring_forward("huge.wav")
    arrivals.bring_forward("big.wav")
    assert [e.key for e in arrivals.first(5, arrivals.entries.values())] == [
        "big.wav",
        "huge.wav",
        "small.wav",
    ]
    assert next_key(arrivals, below=100) == "big.wav"  # also while a long one is halted


def test_what_is_held_is_not_started_and_front_lets_it_go() -> None:
    arrivals = waiting(("a.wav", 10))
    arrivals.set_aside("a.wav")
    assert next_key(arrivals) is None
    assert arrivals.stuck(2.0, 60.0)
    arrivals.bring_forward("a.wav")
    assert next_key(arrivals) == "a.wav"
    assert not arrivals.stuck(2.0, 60.0)


def test_a_wish_ends_with_the_drop() -> None:
    arrivals = waiting(("a.wav", 10))
    arrivals.bring_forward("a.wav")
    arrivals.start("a.wav")
    arrivals.finish("a.wav")
    assert (arrivals.front, arrivals.held) == ([], set())


def test_the_order_outlives_a_restart_and_a_damaged_file_asks_for_nothing(tmp_path: Path) -> None:
    before, after = Arrivals(1.0), Arrivals(1.0)
    assert set_order(tmp_path, before, {FRONT: ["a", "b"], HOLD: ["c"]}) == [
        "front: a",
        "front: b",
        "hold: c",
    ]
    restore_order(tmp_path, after)
    assert (after.front, after.held) == (["a", "b"], {"c"})

    (tmp_path / "order.json").write_text("[1")
    restore_order(tmp_path, empty := Arrivals(1.0))
    assert (empty.front, empty.held) == ([], set())


def test_an_unknown_name_is_answered_with_what_there_is(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop(settings, "Café Nuit.wav", b"x")
    with pytest.raises(WrongRequest, match="not done yet: Café Nuit"):
        ask_order(settings, FRONT, ["tango"])
    assert ask_order(settings, FRONT, ["cafe nuit"]) == 0
    assert list((settings.folders.state / "wishes").glob("*.json"))


def test_the_pace_follows_what_is_done() -> None:
    pace, one = Pace(), beat("a.wav", 10_000_000)
    before = pace.expected_s(one)
    for _ in range(30):
        pace.learn(one, 5.0)
    assert pace.expected_s(one) == pytest.approx(5.0, rel=0.01)
    assert pace.expected_s(beat("b.mp3", 10_000_000)) > before  # compressed: more music a byte
    assert pace.expected_s(beat("c.wav", 0)) == LEAST_S


def busy(settings: Settings, key: str) -> bool:
    """Is the job itself under way?"""
    return any(job["drop"] == key and job["stage"] == "analyse" for job in read_status(settings).jobs)


def test_what_somebody_waits_for_halts_what_runs_and_then_that_goes_on(tmp_path: Path) -> None:
    """The one that runs is neither long nor larger: only the wish makes it give way."""
    settings = settings_for(tmp_path, work={"nice": 0, "max_workers": 1})
    go_on = tmp_path / "go-on"
    with running(settings):
        drop(settings, "first.wav", b"!wait %s\n" % bytes(go_on))
        wait_for(lambda: busy(settings, "first.wav"), "the first to run")
        drop(settings, "hot.wav", b"hot" * 1000)
        wait_for(lambda: read_status(settings).waiting_count == 1)
        ask_order(settings, FRONT, ["hot"])
        wait_for(lambda: ready(settings) == ["hot"])
        go_on.touch()
        wait_for(lambda: ready(settings) == ["first", "hot"])


def test_held_until_it_is_brought_forward_across_a_restart(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop(settings, "later.wav", b"later")
    ask_order(settings, HOLD, ["later"])  # nothing runs yet: done at the start
    process = start(settings)
    try:
        wait_for(lambda: any("held" in (e["why"] or "") for e in read_status(settings).waiting))
        drop(settings, "other.wav", b"other")
        wait_for(lambda: ready(settings) == ["other"])
    finally:
        stop(process)
    with running(settings):
        wait_for(lambda: any("held" in (e["why"] or "") for e in read_status(settings).waiting))
        assert "held until 'beatintake front' names it" in "\n".join(
            as_lines(read_status(settings), settings)
        )
        ask_order(settings, FRONT, ["later"])
        wait_for(lambda: ready(settings) == ["later", "other"])


def test_a_single_pass_ends_although_something_is_held(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop(settings, "later.wav", b"later")
    drop(settings, "now.wav", b"now")
    ask_order(settings, HOLD, ["later"])
    assert start(settings, once=True).wait(PATIENCE_S) == 0
    assert ready(settings) == ["now"]


def test_what_is_being_analysed_cannot_be_held(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    go_on = tmp_path / "go-on"
    with running(settings):
        drop(settings, "first.wav", b"!wait %s\n" % bytes(go_on))
        wait_for(lambda: busy(settings, "first.wav"), "the first to run")
        with pytest.raises(WrongRequest, match="being analysed already"):
            ask_order(settings, HOLD, ["first"])
        go_on.touch()
        wait_for(lambda: ready(settings))


def test_the_watch_shows_what_runs_with_the_seconds_left(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    config, go_on = tmp_path / "beatintake.yaml", tmp_path / "go-on"
    config.write_text(settings.model_dump_json(), encoding="utf-8")  # JSON is YAML
    with running(settings, more="from daemon.service import pace; pace.LEAST_S = 80.0"):
        drop(settings, "first.wav", b"!wait %s\n" % bytes(go_on))
        wait_for(lambda: busy(settings, "first.wav"), "the first to run")
        lines = watched_lines(read_status(settings), settings)
        assert re.fullmatch(r"\[#*\.+\] first\.wav: analyse, about \d\d s left", lines[2]), lines
        command = [sys.executable, "-m", "daemon.cli", "--config", config, "status", "--watch"]
        with subprocess.Popen(
            command,
            cwd=REPOSITORY,
            stdout=subprocess.PIPE,
            text=True,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # however the tests were started
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "first.wav: analyse\n"
            process.send_signal(signal.SIGINT)
            assert process.wait(PATIENCE_S) == 0
        go_on.touch()
        wait_for(lambda: ready(settings))
