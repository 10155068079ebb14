"""Small parts around the service: status, control, housekeeping, logs, notifications, quiet hours, stem
check.
"""

from __future__ import annotations

import json
import logging
import os
import pickle
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from config.load import load_settings
from config.settings import Log, Notify, Settings
from daemon.core.atomic import STAGING
from daemon.core.errors import BeatintakeError
from daemon.core.logs import note, set_up
from daemon.core.private import private_name
from daemon.ledger.ledger import Ledger, Record, ledger_path
from daemon.ops.status import as_lines, print_status, read_status
from daemon.service import control, housekeeping
from daemon.service.board_refresh import BoardRefresh
from daemon.service.heartbeat import read_heartbeat, write_heartbeat
from daemon.service.notification import notify_about, sentence
from daemon.service.quiet_hours import is_quiet, minutes
from daemon.service.systemd import notify, watchdog_period_s
from daemon.workers.pool import Died, Done, Failed, Task, WorkerPool
from daemon.workers.process import Setup
from tests.daemon.service_kit import settings_for, wait_for

FACTS = {"tempo_bpm": 93.5, "key": "E flat minor", "needs_ears": 2, "check_by_ear": ["the key"]}
READY = Record("aa" * 32, "ready", "amber", "amber.wav", "mira", None, FACTS, 100.0)
DAMAGED = "bad.wav: it is damaged. Export it again."
REJECTED = Record("bb" * 32, "rejected", "bad", "bad.wav", None, DAMAGED, {}, 101.0)


def test_the_service_itself_loads_nothing_of_the_analysis() -> None:
    heavy = {"numpy", "scipy", "librosa", "soundfile"}
    code = f"import sys, daemon.service.service; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


class TestStatus:
    def test_imports_nothing_heavy_and_answers_at_once(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        code = (
            "import sys\nfrom config.settings import Settings\nfrom daemon.ops.status import print_status\n"
            f"print_status(Settings.model_validate_json({settings.model_dump_json()!r}))\n"
            "heavy = {'numpy', 'scipy', 'librosa', 'soundfile', 'watchdog', 'apscheduler', 'psutil'}\n"
            "print('heavy:', sorted(heavy & set(sys.modules)))\n"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

        assert "the service is not running" in done.stdout
        assert "heavy: []" in done.stdout

    def test_not_running(self, tmp_path: Path) -> None:
        status = read_status(settings_for(tmp_path))

        assert (status.running, status.state, status.results) == (False, "stopped", [])

    def test_results_and_what_needs_ears_come_from_the_ledger(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        settings = settings_for(tmp_path)
        ledger = Ledger.open(ledger_path(settings.folders.state))
        ledger.record(READY)
        ledger.record(REJECTED)
        assert print_status(settings, as_json=True) == 4
        facts = json.loads(capsys.readouterr().out)

        assert [r["outcome"] for r in facts["results"]] == ["rejected", "ready"]
        assert [r["folder"] for r in facts["needs_ears"]] == ["amber"]
        assert (facts["ready_count"], facts["rejected_count"]) == (1, 1)
        text = "\n".join(as_lines(read_status(settings), settings))
        assert "amber: 93.5 BPM, E flat minor, check 2 by ear" in text
        assert "bad.wav: it is damaged" in text

    @pytest.mark.parametrize("damage", [b"", b"no ledger at all" * 300, None])
    def test_what_a_damaged_ledger_lost_is_counted_in_the_folders(
        self, tmp_path: Path, damage: bytes | None
    ) -> None:
        settings = settings_for(tmp_path)
        for number in range(3):
            folder = settings.folders.ready / f"beat{number}"
            folder.mkdir()
            drop = {"name": f"beat{number}.wav", "sha256": f"{number:064d}"}
            (folder / "x.report.json").write_text(json.dumps({"drop": drop, "check_by_ear": ["the key"]}))
        (settings.folders.ready / "a person's own folder").mkdir()
        if damage is not None:
            ledger_path(settings.folders.state).write_bytes(damage)
        status = read_status(settings)

        assert (status.ready_count, status.rejected_count) == (3, 0)
        assert {r["folder"] for r in status.results} == {"beat0", "beat1", "beat2"}
        assert len(status.needs_ears) == 3

    def test_a_service_that_holds_its_lock_but_has_no_heartbeat(self, tmp_path: Path) -> None:
        from daemon.service.lock import ServiceLock

        settings = settings_for(tmp_path)
        folders = settings.folders
        lock = ServiceLock(folders.state, folders.incoming, folders.ready)
        lock.acquire()
        try:
            write_heartbeat(folders.state, {"pid": 1, "state": "running"})
            assert read_status(settings).responding
            facts = read_heartbeat(folders.state) or {}
            facts["heartbeat"] -= 120
            (folders.state / "health.json").write_text(json.dumps(facts))
            status = read_status(settings)
            assert (status.running, status.responding, status.state) == (True, False, "not responding")
        finally:
            lock.release()
        assert not read_status(settings).running

    def test_an_unreadable_health_file_is_no_error(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        (settings.folders.state / "health.json").write_bytes(b"\xff{")

        assert read_status(settings).heartbeat_age_s is None


class TestControl:
    def test_pause_survives_and_resume_ends_it(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        control.pause_service(settings)
        assert control.is_paused(settings.folders.state)
        assert read_status(settings).paused == "paused by command"
        control.resume_service(settings)

        assert not control.is_paused(settings.folders.state)

    def test_retry_leaves_a_request_for_those_that_fit(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        ledger = Ledger.open(ledger_path(settings.folders.state))
        ledger.record(REJECTED)
        ledger.record(READY)
        control.retry_rejected(settings, ["bad"])

        [(path, request)] = control.pending_requests(settings.folders.state)
        assert request == {"retry": [REJECTED.sha256]}
        path.unlink()
        assert control.pending_requests(settings.folders.state) == []

    def test_retry_of_something_unknown_names_what_there_is(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        Ledger.open(ledger_path(settings.folders.state)).record(REJECTED)

        with pytest.raises(BeatintakeError, match="rejected are: bad"):
            control.retry_rejected(settings, ["amber"])

    def test_unreadable_requests_are_dropped(self, tmp_path: Path) -> None:
        (tmp_path / "wishes").mkdir()
        (tmp_path / "wishes" / "x.json").write_bytes(b"{")

        assert control.pending_requests(tmp_path) == []
        assert os.listdir(tmp_path / "wishes") == []


class TestHousekeeping:
    def age(self, path: Path, days: float) -> Path:
        at = time.time() - days * 86400
        os.utime(path, (at, at))
        return path

    def test_the_sweep_removes_what_is_old_and_ours_only(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path, retention={"staging_hours": 24, "rejected_days": 30})
        staging, rejected = settings.folders.ready / STAGING, settings.folders.rejected
        for name in ("job-old", "job-busy", "job-new"):
            (staging / name).mkdir(parents=True)
        for name in ("old", "new", "not-ours"):
            (rejected / name).mkdir()
            if name != "not-ours":
                (rejected / name / "rejected.json").write_text("{}")
        ready = settings.folders.ready / "beat"
        ready.mkdir()
        temporary = settings.folders.ready / ".beatintake-1234"
        temporary.touch()
        for path, days in ((staging / "job-old", 2), (staging / "job-busy", 2), (rejected / "old", 31),
                           (rejected / "not-ours", 99), (ready, 999), (temporary, 2)):  # fmt: skip
            self.age(path, days)

        assert housekeeping.sweep(settings, busy={"job-busy"}) == 3
        assert sorted(os.listdir(staging)) == ["job-busy", "job-new"]
        assert sorted(os.listdir(rejected)) == ["new", "not-ours"]
        assert ready.is_dir()

    def test_at_start_only_leftovers_of_the_dead_go(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        staging, ready = settings.folders.ready / STAGING, settings.folders.ready
        code = "from daemon.core.private import private_name as p; print(p('batch-'), p('.beatintake-'))"
        ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        dead_batch, dead_file = ended.stdout.split()
        living = [private_name(kind) for kind in ("batch-", "correct-", ".beatintake-")]
        for name in ("job-1", dead_batch, *living[:2]):
            (staging / name).mkdir(parents=True)
        for path in (staging / "claim.json", ready / dead_file, ready / living[2], ready / ".studio"):
            path.touch()

        assert housekeeping.clear_leftovers(settings, "job-") == 3
        assert sorted(os.listdir(staging)) == sorted(["claim.json", *living[:2]])
        assert sorted(os.listdir(ready)) == sorted([STAGING, living[2], ".studio"])

    def test_at_start_half_written_files_in_the_newest_results_go(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(housekeeping, "MOST_RESULTS_SEARCHED", 2)
        settings = settings_for(tmp_path)
        code = "from daemon.core.private import private_name as p; print(p('.beatintake-'))"
        ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        dead, living = ended.stdout.strip(), private_name(".beatintake-")
        folders = [settings.folders.ready / name for name in ("newest", "newer", "old")]
        for number, folder in enumerate(folders):
            folder.mkdir()
            for name in (dead, living, "beat.wav"):
                (folder / name).touch()
            self.age(folder, number)

        assert housekeeping.clear_leftovers(settings, "job-") == 2
        assert [dead in os.listdir(folder) for folder in folders] == [False, False, True]
        assert all({living, "beat.wav"} <= set(os.listdir(folder)) for folder in folders)

    def test_leftovers_of_an_unknown_maker_are_bounded_in_number(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        staging = settings.folders.ready / STAGING
        for number in range(housekeeping.MOST_LEFTOVERS + 7):
            (staging / f"correct-of-another-machine{number}").mkdir(parents=True)
            os.utime(staging / f"correct-of-another-machine{number}", (0, time.time() - 1000 + number))

        assert housekeeping.sweep(settings, busy=set()) == 7
        assert len(os.listdir(staging)) == housekeeping.MOST_LEFTOVERS
        assert not (staging / "correct-of-another-machine0").exists()

    def test_the_digest_sums_up_the_last_day(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        ledger = Ledger.open(tmp_path / "l")
        ledger.record(READY)
        ledger.record(REJECTED)
        text = housekeeping.write_digest(settings, ledger, waiting=3, now=200.0).read_text()

        assert "1 ready, 1 rejected, 3 waiting" in text
        assert "Check by ear\n  amber.wav: 93.5 BPM, E flat minor, check 2 by ear" in text
        assert "1 ready" not in housekeeping.write_digest(settings, ledger, 0, now=200_000.0).read_text()

    def test_digests_and_damaged_ledgers_are_kept_in_number(self, tmp_path: Path) -> None:
        settings = settings_for(tmp_path)
        digests = settings.folders.state / "digests"
        digests.mkdir()
        for day in range(200):
            (digests / f"2026-{day:03d}.txt").touch()
        housekeeping.sweep(settings, busy=set())

        assert len(os.listdir(digests)) == housekeeping.DIGESTS_KEPT


class TestLogs:
    def test_lines_are_json_with_event_and_facts(self, tmp_path: Path) -> None:
        path = set_up(Log(), tmp_path, terminal=False)
        note(
            logging.getLogger("beatintake.x"), logging.INFO, "ready", drop="b\udcff\n.wav", bytes=3, who=None
        )
        [line] = [json.loads(text) for text in path.read_text().splitlines()]

        assert line["event"] == "ready"
        assert (line["drop"], line["bytes"], line["who"], line["level"]) == (
            "b\udcff\n.wav",
            3,
            None,
            "info",
        )

    def test_the_terminal_gets_words_without_traces_or_control_characters(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        set_up(Log(), tmp_path)
        note(
            logging.getLogger("beatintake.x"),
            logging.ERROR,
            "failed",
            drop="\x1b[31mred",
            detail="a long trace",
        )
        text = capsys.readouterr().err

        assert "error: failed (drop: \\x1b[31mred)" in text
        assert "trace" not in text

    def test_a_full_disk_is_no_error(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        set_up(Log(), tmp_path, terminal=False)
        logger = logging.getLogger("beatintake")
        stream = logger.handlers[0].stream  # type: ignore[attr-defined]
        monkeypatch.setattr(logger.handlers[0], "stream", open("/dev/full", "w"))  # noqa: SIM115
        note(logger, logging.INFO, "nothing is raised")
        monkeypatch.setattr(logger.handlers[0], "stream", stream)


class TestNotification:
    def test_sentences(self) -> None:
        assert sentence(READY) == "amber.wav: 93.5 BPM, E flat minor, check 2 by ear"
        assert sentence(REJECTED) == "bad.wav: not usable. bad.wav: it is damaged. Export it again."

    def test_the_command_gets_the_sentence_without_a_shell(self, tmp_path: Path) -> None:
        from dataclasses import replace

        out = tmp_path / "out"
        code = f"import sys; open({str(out)!r}, 'w').write(sys.argv[1])"
        hostile = replace(READY, name="$(touch pwned); `x`.wav")
        notify_about(Notify(command=(sys.executable, "-c", code)), hostile)

        wait_for(lambda: out.exists() and out.read_text().startswith("$(touch pwned); `x`.wav"))

    def test_a_command_that_hangs_or_fails_holds_nothing_up(self) -> None:
        begun = time.monotonic()
        for _ in range(20):
            notify_about(Notify(command=("sleep", "30"), timeout_seconds=5), READY)
            notify_about(Notify(command=("/no/such/program",)), READY)

        assert time.monotonic() - begun < 50.0  # waiting for them would take 100 s


@pytest.mark.parametrize(
    ("clock", "spans", "quiet"),
    [
        ("14:00", ("14:00-20:00",), True),
        ("19:59", ("14:00-20:00",), True),
        ("20:00", ("14:00-20:00",), False),
        ("23:30", ("22:00-06:00",), True),
        ("05:59", ("22:00-06:00",), True),
        ("06:00", ("22:00-06:00",), False),
        ("12:00", ("00:00-00:00",), True),
        ("12:00", (), False),
        ("12:00", ("08:00-09:00", "11:30-12:30"), True),
    ],
)
def test_quiet_hours(clock: str, spans: tuple[str, ...], quiet: bool) -> None:
    assert is_quiet(minutes(clock), spans) is quiet


class TestServiceManager:
    def test_messages_reach_the_socket(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
            receiver.bind(str(tmp_path / "s"))
            monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "s"))
            assert notify("READY=1", "STATUS=watching")

            assert receiver.recv(100) == b"READY=1\nSTATUS=watching"

    def test_without_a_manager_nothing_happens(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
        assert not notify("READY=1")
        monkeypatch.setenv("NOTIFY_SOCKET", "/no/such/socket")
        assert not notify("READY=1")

    def test_the_ping_is_twice_as_often_as_asked(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("WATCHDOG_USEC", "6000000")
        assert watchdog_period_s() == 3.0
        monkeypatch.setenv("WATCHDOG_PID", "1")
        assert watchdog_period_s() is None


class TestBoard:
    class Pool(WorkerPool):
        tasks = 0
        idle = 1
        last: Task

        def submit(self, task: Task) -> None:
            self.tasks += 1
            self.last = task

    def test_the_worker_is_told_the_settings_file(self, tmp_path: Path) -> None:
        pool = self.Pool(1, Setup(1))
        (tmp_path / "studio.yaml").write_text("folders: {ready: ready}")
        settings = load_settings(tmp_path / "studio.yaml")
        BoardRefresh(settings, pool).step(0.0)
        [told] = pickle.loads(pickle.dumps(pool.last.arguments))
        assert (told.named, told.folders) == (settings.named, settings.folders)
        assert told.named is not None

    def test_not_more_often_than_it_is_worth_and_never_forgotten(self, tmp_path: Path) -> None:
        pool = self.Pool(1, Setup(1))
        board = BoardRefresh(Settings(), pool)
        board.step(0.0)
        board.wanted = True
        board.step(0.1)  # still running
        board.handle(Done("board", None))
        board.step(0.1)  # too soon
        assert pool.tasks == 1
        board.step(5.0)
        assert pool.tasks == 2
        board.handle(Done("board", None))
        board.wanted = True
        board.step(6.0, hurry=True)  # nothing else to do
        assert pool.tasks == 3

    @pytest.mark.parametrize(("took", "next_at"), [(0.05, 5.0), (0.5, 20.0), (1.5, 60.0), (30.0, 60.0)])
    def test_the_more_it_costs_the_longer_it_waits(self, tmp_path: Path, took: float, next_at: float) -> None:
        """A fortieth of a worker's time at the most, and never later than a minute."""
        pool = self.Pool(1, Setup(1))
        board = BoardRefresh(Settings(), pool)
        board.step(100.0)
        board.wanted = True
        board.handle(Done("board", None))
        board.step(100.0 + took)
        board.step(100.0 + next_at - 0.01)
        assert pool.tasks == 1
        board.step(100.0 + next_at + 0.01)
        assert pool.tasks == 2

    @pytest.mark.parametrize("end", [Failed("board", BeatintakeError("a", "b")), Died("board", "killed")])
    def test_a_failure_does_not_block_the_next(self, tmp_path: Path, end: Failed | Died) -> None:
        board = BoardRefresh(Settings(), self.Pool(1, Setup(1)))
        board.step(0.0)
        board.handle(end)

        assert not board.busy
