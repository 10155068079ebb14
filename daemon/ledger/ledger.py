"""The durable record of what was done with which content. SQLite.

Tables
------
contents : one row for each SHA-256 that is done, with outcome, folder and summary
drops    : one row for each path in incoming/, its stat digest (column fingerprint) and the content it was
attempts : tries that ended badly (crash, hang, memory), counted *before* each try, by SHA-256
intents  : results about to be renamed into place; read at the next start when the service died in between

The ledger can be lost: ``daemon.ledger.rebuild`` makes it again from the reports in ready/ and rejected/.
Paths are stored as bytes, because a producer's file name need not be text.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.core.errors import MachineError

SCHEMA_VERSION = 1
SCHEMA = """
CREATE TABLE IF NOT EXISTS contents(
  sha256 TEXT PRIMARY KEY, outcome TEXT NOT NULL, folder TEXT NOT NULL, name TEXT NOT NULL, producer TEXT,
  reason TEXT, summary TEXT NOT NULL, at REAL NOT NULL) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS contents_at ON contents(at);
CREATE TABLE IF NOT EXISTS drops(
  path BLOB PRIMARY KEY, fingerprint BLOB NOT NULL, sha256 TEXT, at REAL NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS attempts(
  sha256 TEXT PRIMARY KEY, failed INTEGER NOT NULL, interrupted INTEGER NOT NULL, running INTEGER NOT NULL,
  reason TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS intents(
  sha256 TEXT PRIMARY KEY, staged TEXT NOT NULL, record TEXT NOT NULL, path BLOB NOT NULL,
  fingerprint BLOB NOT NULL) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Record:
    """What became of one content. ``folder`` is a name inside ready/ or rejected/, by outcome."""

    sha256: str
    outcome: str  # "ready" or "rejected"
    folder: str
    name: str
    producer: str | None = None
    reason: str | None = None
    summary: dict[str, Any] = field(default_factory=dict)
    at: float = 0.0  # seconds since the epoch


@dataclass(frozen=True, slots=True)
class Attempts:
    failed: int = 0
    interrupted: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Intent:
    staged: str
    record: Record
    path: str
    stat_digest: bytes


class Ledger:
    """Use ``Ledger.open``; every method is one transaction and raises MachineError when it cannot be kept."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._db = connection
        self.path = path

    @classmethod
    def open(cls, path: Path) -> Ledger:
        """Open or create. Raises sqlite3.DatabaseError when the file is damaged (see
        ``daemon.ledger.rebuild``).
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=5.0, isolation_level=None)
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version > SCHEMA_VERSION:
                raise MachineError(str(path), "it was written by a newer beatintake", "update beatintake")
            if not cls(connection, path).sound():
                raise sqlite3.DatabaseError("quick_check failed")
            connection.executescript(SCHEMA)
            connection.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
        except BaseException:
            connection.close()
            raise
        return cls(connection, path)

    @classmethod
    def read_only(cls, path: Path) -> Ledger:
        """For status displays: never creates, never waits for the writer."""
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=0.2)
        return cls(connection, path)

    def sound(self) -> bool:
        """Is the file in order, as far as a quick look can tell?"""
        return bool(self._db.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")

    def close(self) -> None:
        self._db.close()

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
        except sqlite3.OperationalError as error:
            raise MachineError(
                str(self.path), f"the ledger cannot be written ({error})", "free space or close other users"
            ) from error

    # --- contents -----------------------------------------------------------------------------------------

    def find(self, sha256: str) -> Record | None:
        row = self._db.execute("SELECT * FROM contents WHERE sha256=?", (sha256,)).fetchone()
        return _record(row) if row else None

    def history(self, limit: int = 20, since: float = 0.0, outcome: str | None = None) -> list[Record]:
        """Newest first."""
        rows = self._db.execute(
            "SELECT * FROM contents WHERE at>=?1 AND (?2 IS NULL OR outcome=?2)"
            " ORDER BY at DESC, sha256 LIMIT ?3",
            (since, outcome, limit),
        )
        return [_record(row) for row in rows]

    def count(self, outcome: str) -> int:
        return int(
            self._db.execute("SELECT count(*) FROM contents WHERE outcome=?", (outcome,)).fetchone()[0]
        )

    def record(self, record: Record, path: str | None = None, stat_digest: bytes = b"") -> None:
        """Done: the content, the drop that it was, and nothing left to remember about tries."""
        with self._transaction() as db:
            _put(db, record)
            db.execute("DELETE FROM attempts WHERE sha256=?", (record.sha256,))
            db.execute("DELETE FROM intents WHERE sha256=?", (record.sha256,))
            if path is not None:
                _put_drop(db, path, stat_digest, record.sha256)

    def forget(self, sha256: str) -> None:
        """The content may be done again (retry, or its folder was removed)."""
        with self._transaction() as db:
            for table in ("contents", "attempts", "drops", "intents"):
                db.execute(f"DELETE FROM {table} WHERE sha256=?", (sha256,))

    def put_all(self, records: Iterable[Record]) -> None:
        """Many contents at once, as when the ledger is made again."""
        with self._transaction() as db:
            for record in records:
                _put(db, record)

    # --- drops --------------------------------------------------------------------------------------------

    def drops(self) -> Iterable[tuple[str, bytes, str | None]]:
        """(path, stat digest, sha256) of every drop that is done; sha256 None: a folder found to be no
        stems.
        """
        for path, mark, sha256 in self._db.execute("SELECT path, fingerprint, sha256 FROM drops"):
            yield os.fsdecode(path), mark, sha256

    def record_drop(self, path: str, stat_digest: bytes, sha256: str | None) -> None:
        with self._transaction() as db:
            _put_drop(db, path, stat_digest, sha256)

    def forget_drops(self, paths: Iterable[str]) -> None:
        """Drops that are no longer in incoming/; their contents stay known."""
        with self._transaction() as db:
            db.executemany("DELETE FROM drops WHERE path=?", [(os.fsencode(path),) for path in paths])

    # --- attempts -----------------------------------------------------------------------------------------

    def attempts(self, sha256: str) -> Attempts:
        row = self._db.execute(
            "SELECT failed, interrupted, reason FROM attempts WHERE sha256=?", (sha256,)
        ).fetchone()
        return Attempts(*row) if row else Attempts()

    def begin(self, sha256: str) -> None:
        """Before a try: if nothing more is heard of it, the next start counts it as interrupted."""
        with self._transaction() as db:
            db.execute("INSERT OR IGNORE INTO attempts VALUES(?, 0, 0, 0, '')", (sha256,))
            db.execute("UPDATE attempts SET running=1 WHERE sha256=?", (sha256,))

    def end(self, sha256: str, failure: str | None = None) -> None:
        """After a try without a result: ``failure`` when the drop is to blame, else it was called off."""
        with self._transaction() as db:
            if failure is not None:
                db.execute("UPDATE attempts SET failed=failed+1, reason=? WHERE sha256=?", (failure, sha256))
            db.execute("UPDATE attempts SET running=0 WHERE sha256=?", (sha256,))
            db.execute("DELETE FROM attempts WHERE sha256=? AND failed=0 AND interrupted=0", (sha256,))

    def note_interrupted(self) -> int:
        """At start: tries that the last service never finished. Returns how many."""
        with self._transaction() as db:
            done = db.execute("UPDATE attempts SET interrupted=interrupted+1, running=0 WHERE running=1")
            return done.rowcount

    # --- intents ------------------------------------------------------------------------------------------

    def intend(self, intent: Intent) -> None:
        """Before the rename: enough to finish the bookkeeping when the service dies right after it."""
        text = json.dumps(_as_dict(intent.record))
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO intents VALUES(?,?,?,?,?)",
                (intent.record.sha256, intent.staged, text, os.fsencode(intent.path), intent.stat_digest),
            )

    def intents(self) -> list[Intent]:
        rows = self._db.execute("SELECT staged, record, path, fingerprint FROM intents").fetchall()
        return [Intent(s, Record(**json.loads(r)), os.fsdecode(p), f) for s, r, p, f in rows]

    def drop_intent(self, sha256: str) -> None:
        with self._transaction() as db:
            db.execute("DELETE FROM intents WHERE sha256=?", (sha256,))


def _put(db: sqlite3.Connection, record: Record) -> None:
    row = _as_dict(record)
    row["at"] = record.at or time.time()
    row["summary"] = json.dumps(record.summary)
    db.execute(
        "INSERT OR REPLACE INTO contents(sha256, outcome, folder, name, producer, reason, summary, at)"
        " VALUES(:sha256, :outcome, :folder, :name, :producer, :reason, :summary, :at)",
        row,
    )


def _put_drop(db: sqlite3.Connection, path: str, stat_digest: bytes, sha256: str | None) -> None:
    db.execute(
        "INSERT OR REPLACE INTO drops VALUES(?,?,?,?)", (os.fsencode(path), stat_digest, sha256, time.time())
    )


def _as_dict(record: Record) -> dict[str, Any]:
    return {name: getattr(record, name) for name in Record.__dataclass_fields__}


def _record(row: tuple[Any, ...]) -> Record:
    sha256, outcome, folder, name, producer, reason, summary, at = row
    return Record(sha256, outcome, folder, name, producer, reason, json.loads(summary), at)


def ledger_path(state: Path) -> Path:
    return state / "ledger.sqlite3"
