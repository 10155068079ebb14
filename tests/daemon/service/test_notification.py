"""The notification command: facts by environment and standard input, no shell, a time limit."""

from __future__ import annotations

import json
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from config.settings import Notify
from daemon.ledger.ledger import Record
from daemon.service.notification import argument, notify_about, run_hook, variables
from tests.daemon.service_kit import PATIENCE_S

needs_sh = pytest.mark.skipif(shutil.which("sh") is None, reason="needs a POSIX shell")
FACTS = {
    "outcome": "ready",
    "name": '$(touch pwned); `id` ".wav',
    "tempo_bpm": 93.5,
    "key": None,
    "needs_ears": 2,
}
WRITER = "import json,os,sys; json.dump([sys.argv[1:],dict(os.environ),json.load(sys.stdin)],open(%r,'w'))"


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


def test_facts_arrive_in_all_three_ways_and_untouched(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    assert run_hook([*python(WRITER % str(out)), "first"], 10, "hello; rm -rf x", FACTS) is None
    arguments, environment, piped = json.loads(out.read_text())
    assert arguments == ["first", "hello; rm -rf x"]
    assert piped == FACTS
    assert environment["BEATINTAKE_NAME"] == FACTS["name"]
    assert environment["BEATINTAKE_TEMPO_BPM"] == "93.5"
    assert environment["BEATINTAKE_KEY"] == ""
    assert [p.name for p in tmp_path.iterdir()] == ["out.json"]


def test_nothing_is_run_by_default() -> None:
    assert run_hook((), 10, "x", FACTS) is None


def test_a_missing_program_and_a_failure_are_told() -> None:
    assert "cannot be run" in (run_hook(["/no/such/program"], 5, "x", FACTS) or "")
    failed = run_hook(python("import sys; sys.exit('no display')"), 5, "x", FACTS)
    assert "code 1: no display" in (failed or "")


def alive(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


@needs_sh
def test_a_hanging_command_is_stopped_with_its_children(tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    code = 'sleep 600 & echo $! > "$0"; wait'
    assert "did not end within 2 s" in (run_hook(["sh", "-c", code, str(pid)], 2, "x", FACTS) or "")
    left = int(pid.read_text())
    until = time.monotonic() + PATIENCE_S
    while alive(left) and time.monotonic() < until:  # a signal takes a moment to arrive
        time.sleep(0.05)
    assert not alive(left)


def test_a_command_that_reads_nothing_does_not_fail() -> None:
    assert run_hook(python("pass"), 5, "x", {**FACTS, "long": "x" * 1_000_000}) is None


@needs_sh
def test_what_the_command_leaves_running_is_not_waited_for(tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    code = 'sleep 600 & echo $! > "$0"'
    command = ["sh", "-c", code, str(pid)]
    assert run_hook(command, PATIENCE_S, "x", FACTS) is None  # nothing was stopped, so nothing waited for
    psutil.Process(int(pid.read_text())).kill()


def test_a_name_cannot_become_an_option_or_a_second_line() -> None:
    assert argument("--icon=x.wav: 140 BPM") == " --icon=x.wav: 140 BPM"
    assert argument("a\nb\0c\x1b[2J") == r"a\x0ab\x00c\x1b[2J"
    assert len(argument("x" * 100_000)) == 4096
    assert variables({"name": "a\0b"})["BEATINTAKE_NAME"] == r"a\x00b"


def test_a_ready_beat_brings_its_card(tmp_path: Path) -> None:
    """Path and first line as variables, the whole text in the JSON; a lost card is no failure."""
    folder = tmp_path / "ready" / "amber-lane"
    folder.mkdir(parents=True)
    (folder / "amber-lane.txt").write_text("amber-lane: 92 BPM\nTempo: constant\n")
    summary = {"files": {"card": "amber-lane.txt"}, "line": "amber-lane: 92 BPM", "tempo_bpm": 92.0}
    record = Record("ab" * 32, "ready", "amber-lane", "amber-lane.wav", summary=summary)
    for number, held in enumerate((record, replace(record, folder="gone"))):
        out = tmp_path / f"{number}.json"
        notify_about(Notify(command=tuple(python(WRITER % str(out)))), held, tmp_path / "ready")
        deadline = time.monotonic() + PATIENCE_S
        while not (out.exists() and out.read_text().endswith("]")) and time.monotonic() < deadline:
            time.sleep(0.05)
        arguments, environment, piped = json.loads(out.read_text())
        assert arguments == ["amber-lane: 92 BPM"]
        assert environment["BEATINTAKE_LINE"] == "amber-lane: 92 BPM"
        if number == 0:
            assert environment["BEATINTAKE_CARD"] == str(folder / "amber-lane.txt")
            assert piped["card_text"] == "amber-lane: 92 BPM\nTempo: constant\n"
        else:
            assert environment["BEATINTAKE_CARD"] == ""
            assert "card_text" not in piped
