"""The command line: help, exit codes, one-line errors, init and check-config."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys

import pytest

from config.load import load_settings
from daemon import commands
from daemon.cli import build_parser, main
from daemon.core.errors import AlreadyRunning, DiskFull, InternalError, NotAudio
from daemon.ledger.ledger import Ledger, Record, ledger_path

COMMANDS = [
    "run",
    "process",
    "analyse",
    "demo",
    "status",
    "serve",
    "correct",
    "undo",
    "retry",
    "init",
    "check-config",
    "pause",
    "resume",
    "doctor",
    "service",
]


@pytest.fixture(autouse=True)
def _no_configuration_of_this_machine(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "xdg"))
    monkeypatch.delenv("BEATINTAKE_CONFIG", raising=False)
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_explains_itself_and_has_a_body(command, capsys):
    with pytest.raises(SystemExit) as stop:
        main([command, "--help"])

    assert stop.value.code == 0
    assert command in capsys.readouterr().out
    assert callable(getattr(commands, command.replace("-", "_")))


def test_help_documents_the_exit_codes_and_the_search_order():
    text = build_parser().format_help()

    for words in ("exit codes", "75 ", "$BEATINTAKE_CONFIG", "./beatintake.yaml", "hearing"):
        assert words in text


def test_an_unknown_command_is_a_usage_error():
    with pytest.raises(SystemExit) as stop:
        main(["analyze-everything"])

    assert stop.value.code == 2


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (NotAudio("x.txt", "no audio", "send WAV"), 3),
        (DiskFull("/ready", "no space", "make room"), 4),
        (AlreadyRunning("/in", "held", "stop it"), 75),
        (InternalError("x", "bug", "report it"), 70),
    ],
)
def test_errors_are_one_line_with_a_documented_code(error, code, monkeypatch, capsys):
    def fail(_arguments):
        raise error

    monkeypatch.setattr(commands, "status", fail)

    assert main(["status"]) == code
    captured = capsys.readouterr()
    assert captured.err.count("\n") == 1
    assert error.next_step in captured.err
    assert captured.out == ""


def test_init_writes_a_valid_commented_configuration_and_three_folders(tmp_path, capsys):
    assert main(["init", str(tmp_path / "studio")]) == 0

    text = (tmp_path / "studio" / "beatintake.yaml").read_text(encoding="utf-8")
    assert text.count("#") > 30
    for name in ("incoming", "ready", "rejected"):
        assert (tmp_path / "studio" / name).is_dir()
    assert main(["--config", str(tmp_path / "studio" / "beatintake.yaml"), "check-config"]) == 0
    assert str(tmp_path / "studio" / "incoming") in capsys.readouterr().out


def test_init_leaves_an_existing_configuration_alone(tmp_path, capsys):
    (tmp_path / "beatintake.yaml").write_text("work:\n  nice: 3\n", encoding="utf-8")

    assert main(["init", str(tmp_path)]) == 2
    assert (tmp_path / "beatintake.yaml").read_text(encoding="utf-8") == "work:\n  nice: 3\n"
    assert "left alone" in capsys.readouterr().err


def test_check_config_prints_every_problem(tmp_path, capsys):
    path = tmp_path / "bad.yaml"
    path.write_text("work:\n  nice: 99\n  nize: 1\n", encoding="utf-8")

    assert main(["check-config", "--config", str(path)]) == 2
    problems = capsys.readouterr().err.splitlines()
    assert [line.split(": ")[0] for line in problems] == [f"{path}:2", f"{path}:3"]


def test_the_module_runs_as_a_program(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "check-config"], capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("command", [["correct", "zinc", "--half"], ["undo", "zinc"], ["retry", "zinc"]])
def test_a_name_that_nothing_has_is_the_persons_mistake(command, tmp_path, capsys):
    assert main(["init", str(tmp_path)]) == 0
    config = ["--config", str(tmp_path / "beatintake.yaml")]
    settings = load_settings(tmp_path / "beatintake.yaml")
    ledger = Ledger.open(ledger_path(settings.folders.state))
    ledger.record(Record("1" * 64, "rejected", "amber", "amber.wav", reason="damaged"))
    ledger.close()
    capsys.readouterr()

    assert main([*config, *command]) == 2
    said = capsys.readouterr().err
    assert said.startswith("beatintake: zinc: no r")
    assert "called so" in said


def test_rejected_names_are_matched_like_all_others(tmp_path, capsys):
    assert main(["init", str(tmp_path)]) == 0
    settings = load_settings(tmp_path / "beatintake.yaml")
    ledger = Ledger.open(ledger_path(settings.folders.state))
    ledger.record(
        Record("1" * 64, "rejected", "na\u00efve~12345678", "na\u00efve: one.wav", reason="damaged")
    )
    ledger.close()

    assert main(["--config", str(tmp_path / "beatintake.yaml"), "retry", "NAIVE"]) == 0
    assert "will be tried again: na\u00efve: one.wav" in capsys.readouterr().out


def test_a_terminal_without_a_script_shows_codes(tmp_path):
    (tmp_path / "\u05e9\u05d9\u05e8.txt").write_text("no audio")
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "analyse", str(tmp_path / "\u05e9\u05d9\u05e8.txt")],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        check=False,
    )
    assert done.returncode == 3
    assert b"\\u05e9\\u05d9\\u05e8.txt" in done.stderr
    assert b"Traceback" not in done.stderr


def test_trouble_of_the_disk_is_a_sentence(monkeypatch, capsys):
    def fail(_arguments):
        raise OSError(5, "Input/output error", "/srv/beats")

    monkeypatch.setattr(commands, "status", fail)

    assert main(["status"]) == 4
    assert capsys.readouterr().err == (
        "beatintake: /srv/beats: the disk or the share fails; look at the disk; the work is tried again.\n"
    )


def test_a_command_that_fails_without_a_settings_file_says_how_to_name_one(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BEATINTAKE_CONFIG", raising=False)
    monkeypatch.chdir(tmp_path)
    for command in (["correct", "amber", "--half"], ["undo", "amber"], ["retry"], ["front", "amber"]):
        assert main(command) == 2
        assert capsys.readouterr().err == "no settings file was found: name yours with --config PATH\n"

    assert main(["init", str(tmp_path / "a studio")]) == 0
    file = shlex.quote(str(tmp_path / "a studio" / "beatintake.yaml"))
    told = capsys.readouterr().out
    assert f"next: beatintake --config {file} run\n" in told
    assert f"export BEATINTAKE_CONFIG={file}, and" in told
    assert main(["--config", str(tmp_path / "a studio" / "beatintake.yaml"), "undo", "amber"]) == 2
    assert "no settings file" not in capsys.readouterr().err
