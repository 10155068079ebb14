"""The ledger: what it remembers, and that it can be lost, damaged, locked or written by another version."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from daemon.core.errors import MachineError
from daemon.ledger.ledger import Attempts, Intent, Ledger, Record
from daemon.ledger.rebuild import open_or_rebuild
from daemon.ledger.visible import report_of
from daemon.pipeline.publication import Results

SHA = "ab" * 32


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger.open(tmp_path / "ledger.sqlite3")


def record(sha256: str = SHA, outcome: str = "ready", folder: str = "beat", at: float = 1.0) -> Record:
    return Record(sha256, outcome, folder, "beat.wav", "mira", None, {"tempo_bpm": 93.5}, at)


def test_a_record_comes_back_as_it_was(ledger: Ledger) -> None:
    ledger.record(record(), "mira/beat.wav", b"mark")

    assert ledger.find(SHA) == record()
    assert list(ledger.drops()) == [("mira/beat.wav", b"mark", SHA)]
    assert ledger.find("cd" * 32) is None


def test_paths_that_are_no_text(ledger: Ledger) -> None:
    ledger.record_drop("b\udcff\udc80.wav", b"m", SHA)

    assert [path for path, _, _ in ledger.drops()] == ["b\udcff\udc80.wav"]


def test_history_is_newest_first(ledger: Ledger) -> None:
    for number in range(5):
        outcome = "rejected" if number == 3 else "ready"
        ledger.record(record(f"{number:064d}", outcome, at=float(number + 1)))

    assert [r.at for r in ledger.history(limit=3)] == [5.0, 4.0, 3.0]
    assert [r.at for r in ledger.history(since=4.0)] == [5.0, 4.0]
    assert [r.at for r in ledger.history(outcome="rejected")] == [4.0]
    assert ledger.count("ready") == 4


def test_an_attempt_without_an_end_counts_as_interrupted(ledger: Ledger) -> None:
    ledger.begin(SHA)
    assert ledger.note_interrupted() == 1
    ledger.begin(SHA)
    ledger.end(SHA)  # called off: nobody's fault

    assert ledger.attempts(SHA) == Attempts(failed=0, interrupted=1)


def test_failures_add_up_until_a_result_is_recorded(ledger: Ledger) -> None:
    for _ in range(2):
        ledger.begin(SHA)
        ledger.end(SHA, "it crashed")
    assert ledger.attempts(SHA) == Attempts(failed=2, reason="it crashed")
    ledger.record(record())

    assert ledger.attempts(SHA) == Attempts()


def test_the_counter_is_on_disk_before_the_attempt(tmp_path: Path) -> None:
    first = Ledger.open(tmp_path / "l")
    first.begin(SHA)  # and the process dies here: no close, no commit later
    second = Ledger.open(tmp_path / "l")

    assert second.note_interrupted() == 1
    assert second.note_interrupted() == 0


def test_a_mark_that_a_power_cut_has_emptied_is_none(tmp_path: Path) -> None:
    with closing(Ledger.open(tmp_path / "l")) as ledger:
        ledger.begin(SHA)
        (mark,) = (tmp_path / "underway").iterdir()
        mark.write_bytes(b"")
        assert ledger.intent(SHA) is None
        assert ledger.note_interrupted() == 0
        assert list((tmp_path / "underway").iterdir()) == []


def test_a_try_of_what_is_recorded_since_is_not_held_against_it(ledger: Ledger) -> None:
    """A kill between the record and the end of the mark."""
    ledger.record(record())
    ledger.begin(SHA)

    assert ledger.note_interrupted() == 0
    assert ledger.attempts(SHA) == Attempts()


def test_forget_takes_everything(ledger: Ledger) -> None:
    ledger.record(record(), "a.wav", b"m")
    ledger.forget(SHA)

    assert ledger.find(SHA) is None
    assert list(ledger.drops()) == []


def test_read_only_never_creates(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.OperationalError):
        Ledger.read_only(tmp_path / "none")

    assert not (tmp_path / "none").exists()


def test_it_is_durable_at_every_commit(ledger: Ledger) -> None:
    assert ledger._db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    assert ledger._db.execute("PRAGMA journal_mode").fetchone() == ("persist",)


def test_one_of_an_earlier_version_is_taken_over(tmp_path: Path) -> None:
    """It kept a write-ahead log, which has a part in memory; while that version runs, it stays so."""
    Ledger.open(tmp_path / "l").close()
    earlier = sqlite3.connect(tmp_path / "l", isolation_level=None)
    earlier.execute("PRAGMA journal_mode=WAL")
    with closing(Ledger.open(tmp_path / "l")) as ledger:
        ledger.record(Record(SHA, "ready", "a", "a.wav"))
    earlier.close()
    with closing(Ledger.open(tmp_path / "l")) as ledger:
        assert ledger.find(SHA) is not None
        assert not list(tmp_path.glob("l-wal")) + list(tmp_path.glob("l-shm"))


def test_a_reader_ends_what_a_killed_writer_had_begun(tmp_path: Path) -> None:
    """SQLite documentation, "Atomic Commit", section 4: a hot journal is rolled back before reading."""
    ledger = Ledger.open(tmp_path / "l")
    ledger.record(Record(SHA, "ready", "a", "a.wav"))
    half = "import os, sqlite3, sys; db = sqlite3.connect(sys.argv[1], isolation_level=None);"
    half += "db.execute('PRAGMA cache_size=2'); db.execute('BEGIN IMMEDIATE');"  # so that it spills
    half += "rows = [(b'%d' % k, b'x' * 900, None) for k in range(500)];"
    half += "db.executemany('INSERT INTO drops VALUES(?, ?, ?, 0)', rows);"
    half += "os._exit(1)"
    ledger.close()
    subprocess.run([sys.executable, "-c", half, tmp_path / "l"], check=False)
    with closing(Ledger.read_only(tmp_path / "l")) as reader:
        assert reader.find(SHA) is not None
        assert list(reader.drops()) == []
        with pytest.raises(MachineError):
            reader.forget(SHA)


def test_a_locked_ledger_is_a_machine_error(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path / "l")
    ledger._db.execute("PRAGMA busy_timeout=50")
    other = sqlite3.connect(tmp_path / "l", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")

    with pytest.raises(MachineError, match="ledger cannot be written"):
        ledger.record_drop("a.wav", b"m", SHA)

    other.execute("ROLLBACK")
    ledger.record_drop("a.wav", b"m", SHA)  # goes on as if nothing had happened


def test_a_newer_schema_is_refused(tmp_path: Path) -> None:
    Ledger.open(tmp_path / "l").close()
    sqlite3.connect(tmp_path / "l").execute("PRAGMA user_version=99")

    with pytest.raises(MachineError, match="newer beatintake"):
        Ledger.open(tmp_path / "l")


def write_ready(root: Path, folder: str, sha256: str) -> None:
    (root / folder).mkdir(parents=True)
    report = {
        "drop": {"name": f"{folder}.wav", "producer": "mira", "sha256": sha256},
        "answers": {"tempo": {"value": 140.0}, "key": {"value": "E flat minor"}},
        "check_by_ear": ["the key"],
    }
    (root / folder / f"{folder}.report.json").write_text(json.dumps(report))


@pytest.mark.parametrize("damage", [b"", b"not a database at all" * 100, None])
def test_a_lost_or_damaged_ledger_is_read_back_from_the_folders(tmp_path: Path, damage: bytes | None) -> None:
    ready, rejected, path = tmp_path / "ready", tmp_path / "rejected", tmp_path / "l"
    write_ready(ready, "amber", SHA)
    (ready / "halfway").mkdir()
    (ready / "broken").mkdir()
    (ready / "broken" / "x.report.json").write_bytes(b"{")
    (ready / ".staging").mkdir()
    (rejected / "bad").mkdir(parents=True)
    drop = {"name": "bad.wav", "producer": None, "sha256": "cd" * 32}
    (rejected / "bad" / "rejected.json").write_text(json.dumps({"drop": drop, "reason": "damaged"}))
    if damage is not None:
        path.write_bytes(damage or b"\0" * 4096)

    ledger, remark = open_or_rebuild(path, ready, rejected)

    assert remark
    assert "2 results were read back" in remark
    found = ledger.find(SHA)
    assert found is not None
    assert (found.folder, found.name, found.outcome, found.producer) == (
        "amber",
        "amber.wav",
        "ready",
        "mira",
    )
    assert found.summary["key"] == "E flat minor"
    assert found.summary["needs_ears"] == 1
    assert ledger.count("rejected") == 1
    if damage is not None:
        assert list(tmp_path.glob("l.damaged-*"))


def test_a_page_of_garbage_in_the_middle_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "l"
    ledger = Ledger.open(path)
    ledger.put_all(record(f"{number:064d}", at=float(number)) for number in range(2000))
    ledger.close()
    data = bytearray(path.read_bytes())
    for at in range(2 * 4096, len(data) - 4096, 8 * 4096):
        data[at : at + 4096] = b"\xa5" * 4096
    path.write_bytes(data)

    rebuilt, remark = open_or_rebuild(path, tmp_path / "ready", tmp_path / "rejected")

    assert remark
    assert "damaged" in remark
    assert rebuilt.history() == []


def test_an_intact_ledger_is_left_alone(tmp_path: Path) -> None:
    Ledger.open(tmp_path / "l").close()

    assert open_or_rebuild(tmp_path / "l", tmp_path, tmp_path)[1] is None


class TestIntents:
    """Between the rename and the record: a crash there neither loses nor repeats."""

    @pytest.fixture
    def results(self, tmp_path: Path, ledger: Ledger) -> Results:
        from config.settings import Folders

        names = ("incoming", "ready", "rejected", "state")
        for name in names:
            (tmp_path / name).mkdir()
        return Results(Folders(**{name: tmp_path / name for name in names}), ledger)

    def intend(self, results: Results) -> Intent:
        intent = Intent("job-1", record(), "a.wav", b"m")
        results.ledger.intend(intent)
        return intent

    def test_died_before_the_rename(self, results: Results) -> None:
        self.intend(results)
        (results.folders.ready / ".staging" / "job-1").mkdir(parents=True)

        assert results.finish_all() == 0
        assert results.ledger.find(SHA) is None
        assert results.ledger.note_interrupted() == 1
        assert results.ledger.intents() == []

    def test_died_after_the_rename(self, results: Results) -> None:
        self.intend(results)
        write_ready(results.folders.ready, "beat", SHA)

        assert results.finish_all() == 1
        assert results.ledger.find(SHA) == record()
        assert list(results.ledger.drops()) == [("a.wav", b"m", SHA)]

    def test_the_name_went_to_another_drop_meanwhile(self, results: Results) -> None:
        self.intend(results)
        write_ready(results.folders.ready, "beat", "cd" * 32)

        assert results.finish_all() == 0
        assert results.ledger.find(SHA) is None

    def test_the_record_could_not_be_written_after_the_rename(self, results: Results) -> None:
        self.intend(results)
        write_ready(results.folders.ready, "beat", SHA)

        results.ledger.end(SHA)  # it is put back
        assert results.known(SHA) == record()  # asked before the drop is tried again

    def test_a_removed_folder_is_no_longer_known(self, results: Results) -> None:
        results.ledger.record(record())

        assert results.known(SHA) is None


def test_a_report_cut_short_is_no_result(tmp_path: Path) -> None:
    write_ready(tmp_path, "beat", SHA)
    file = tmp_path / "beat" / "beat.report.json"
    file.write_bytes(file.read_bytes()[:40])

    assert report_of(tmp_path / "beat", "ready") is None
