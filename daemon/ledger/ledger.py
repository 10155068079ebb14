"""The durable record of what was done with which content. SQLite.

Tables
------
contents : one row for each SHA-256 that is done, with outcome, folder and summary
drops    : one row for each path in incoming/, its stat digest (column fingerprint) and the content it was
attempts : tries that ended badly (crash, hang, memory), by SHA-256
folders  : published folders as last seen, so that only those that changed are read (`daemon.ledger.visible`)

What is being worked on lies beside it (``daemon.ledger.underway``): a commit waits for the disk four times.
No part is mapped into memory: a file cut under a running service is an error, not the end of the process.
The ledger can be lost: ``daemon.ledger.rebuild`` makes it again from the reports in ready/ and rejected/,
which are always right where the two differ.
Paths are stored as bytes, because a producer's file name need not be text.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from daemon.core.errors import MachineError
from daemon.ledger.marks import Marks, Place, put_marks
from daemon.ledger.rows import (
    PACK,
    SCHEMA,
    SCHEMA_VERSION,
    Attempts,
    Intent,
    Mark,
    Record,
    put_drop,
    put_record,
    record_of,
)
from daemon.ledger.underway import UNDERWAY, Underway

CACHE_KB = 512  # all of it is seldom looked at
READER_WAIT_S = 1.0  # a commit takes some milliseconds

__all__ = ["PACK", "UNDERWAY", "Attempts", "Intent", "Ledger", "Mark", "Record", "ledger_path"]


class Ledger:
    """Use ``Ledger.open``; every method is one transaction and raises MachineError when it cannot be kept."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._db = connection
        self.marks = Marks(connection)
        self.path = path
        self._file = _identity(path)
        self._underway = Underway(path.with_name(UNDERWAY))

    @classmethod
    def open(cls, path: Path) -> Ledger:
        """Open or create. Raises sqlite3.DatabaseError when the file is damaged (see
        ``daemon.ledger.rebuild``).
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=5.0, isolation_level=None)
        try:
            with suppress(sqlite3.OperationalError):  # an earlier version has it open
                connection.execute("PRAGMA journal_mode=PERSIST")
            connection.executescript(f"PRAGMA synchronous=FULL; PRAGMA cache_size=-{CACHE_KB}")
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
        """For displays: never creates, writes nothing (but ends what a killed writer had begun)."""
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=READER_WAIT_S)
        connection.execute("PRAGMA query_only=ON")
        return cls(connection, path)

    def sound(self) -> bool:
        """Is the file in order, as far as a quick look can tell?"""
        return bool(self._db.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")

    def copy_to(self, path: Path) -> None:
        """A consistent copy, also while somebody writes."""
        with closing(sqlite3.connect(path)) as copy:
            self._db.backup(copy)

    def in_place(self) -> bool:
        """Is the open file still the one that lies at its path, with its tables in it?"""
        try:
            if _identity(self.path) != self._file:
                return False
            tables = self._db.execute("SELECT count(*) FROM sqlite_master WHERE type='table'").fetchone()[0]
        except OSError:
            return False
        except sqlite3.OperationalError:  # locked, or the disk is in the way: nothing is known
            return True
        return int(tables) >= SCHEMA.count("CREATE TABLE")

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
        return record_of(row) if row else None

    def history(self, limit: int = 20, since: float = 0.0, outcome: str | None = None) -> list[Record]:
        """Newest first; packs only when they are asked for."""
        rows = self._db.execute(
            "SELECT * FROM contents WHERE at>=?1 AND (outcome=?2 OR ?2 IS NULL AND outcome<>?4)"
            " ORDER BY at DESC, sha256 LIMIT ?3",
            (since, outcome, limit, PACK),
        )
        return [record_of(row) for row in rows]

    def questions(self) -> list[Record]:
        """Folders and zips of which a person must say whether they are stems or beats, newest first."""
        found = self._db.execute(
            "SELECT * FROM contents WHERE outcome='rejected' AND summary LIKE '%\"question\": [%'"
            " ORDER BY at DESC"
        )
        return [record for record in map(record_of, found) if record.summary.get("question")]

    def count(self, outcome: str) -> int:
        return int(
            self._db.execute("SELECT count(*) FROM contents WHERE outcome=?", (outcome,)).fetchone()[0]
        )

    def record(
        self, record: Record, path: str | None = None, stat_digest: bytes = b"", mark: Mark | None = None
    ) -> None:
        """Done: the content, the drop that it was, its folder; nothing is left to remember about tries."""
        with self._transaction() as db:
            put_record(db, record)
            db.execute("DELETE FROM attempts WHERE sha256=?", (record.sha256,))
            if path is not None:
                put_drop(db, path, stat_digest, record.sha256)
            put_marks(db, [mark] if mark else [])
        self._underway.remove(record.sha256)

    def forget(self, *contents: str) -> None:
        """The contents may be done again (retry, or the folder was removed)."""
        with self._transaction() as db:
            for table in ("contents", "attempts", "drops", "folders"):
                db.executemany(f"DELETE FROM {table} WHERE sha256=?", [(sha256,) for sha256 in contents])
        for sha256 in contents:
            self._underway.remove(sha256)

    def put_all(self, records: Iterable[Record]) -> None:
        """Many contents at once, as when the ledger is made again."""
        with self._transaction() as db:
            for record in records:
                put_record(db, record)

    def places(self) -> set[Place]:
        """Outcome and folder of every content."""
        return {(row[0], row[1]) for row in self._db.execute("SELECT outcome, folder FROM contents")}

    def place_of(self, sha256: str) -> Place | None:
        row = self._db.execute("SELECT outcome, folder FROM contents WHERE sha256=?", (sha256,)).fetchone()
        return (row[0], row[1]) if row else None

    def follow(self, records: list[Record], marks: list[Mark], gone: Iterable[Place]) -> None:
        """What a look at the folders found: results not known so far, folders that changed, folders gone."""
        gone = list(gone)
        if not (records or marks or gone):
            return
        with self._transaction() as db:
            for record in records:
                put_record(db, record)
            db.executemany("DELETE FROM folders WHERE outcome=? AND folder=?", gone)
            put_marks(db, marks)

    # --- drops --------------------------------------------------------------------------------------------

    def drops(self) -> Iterable[tuple[str, bytes, str | None]]:
        """(path, stat digest, sha256) of every done drop; sha256 None: a folder found to be no stems."""
        for path, mark, sha256 in self._db.execute("SELECT path, fingerprint, sha256 FROM drops"):
            yield os.fsdecode(path), mark, sha256

    def content_of(self, path: str) -> str | None:
        """The content that this place held when it was done; None when it was not, or was no stems."""
        row = self._db.execute("SELECT sha256 FROM drops WHERE path=?", (os.fsencode(path),)).fetchone()
        return row[0] if row else None

    def paths_of(self, sha256: str) -> list[str]:
        """The places that held this content when they were done."""
        rows = self._db.execute("SELECT path FROM drops WHERE sha256=? ORDER BY path", (sha256,))
        return [os.fsdecode(path) for (path,) in rows]

    def deliveries(self) -> Iterator[tuple[str, str, str, str | None]]:
        """(path, sha256, name and producer of the result) of every done drop whose path says another name."""
        rows = self._db.execute(
            "SELECT path, sha256, name, producer FROM drops JOIN contents USING(sha256) WHERE outcome<>?"
            " AND path<>CAST(coalesce(producer||'/','')||name AS BLOB) ORDER BY path",
            (PACK,),
        )
        for path, sha256, name, producer in rows:
            yield os.fsdecode(path), sha256, name, producer

    def at(self, path: str) -> list[Record]:
        """What became of the drop at a path: one record, or none."""
        query = "SELECT contents.* FROM drops JOIN contents USING(sha256) WHERE path=?"
        return [record_of(row) for row in self._db.execute(query, (os.fsencode(path),))]

    def packs(self) -> list[tuple[str, bytes, Record]]:
        """(path, stat digest, record) of every folder or zip of several beats."""
        query = "SELECT path, fingerprint, contents.* FROM drops JOIN contents USING(sha256) WHERE outcome=?"
        rows = self._db.execute(query, (PACK,))
        return [(os.fsdecode(path), mark, record_of(tuple(row))) for path, mark, *row in rows]

    def record_drop(self, path: str, stat_digest: bytes, sha256: str | None) -> None:
        with self._transaction() as db:
            put_drop(db, path, stat_digest, sha256)

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
        self._underway.write(sha256)

    def end(self, sha256: str, failure: str | None = None) -> None:
        """After a try without a result: ``failure`` when the drop is to blame, else it was called off."""
        if failure is not None:
            with self._transaction() as db:
                db.execute("INSERT OR IGNORE INTO attempts VALUES(?, 0, 0, 0, '')", (sha256,))
                db.execute("UPDATE attempts SET failed=failed+1, reason=? WHERE sha256=?", (failure, sha256))
        if self._underway.intent(sha256) is None:  # else it may be visible: `Results.known` must hear of it
            self._underway.remove(sha256)

    def note_interrupted(self) -> int:
        """At start: how many tries the last service never finished."""
        begun = [(sha256,) for sha256, _ in self._underway.all()]
        with self._transaction() as db:  # an earlier version kept in the table what was running
            db.executemany("INSERT OR IGNORE INTO attempts VALUES(?, 0, 0, 0, '')", begun)
            db.executemany("UPDATE attempts SET running=1 WHERE sha256=?", begun)
            db.execute("DELETE FROM attempts WHERE sha256 IN (SELECT sha256 FROM contents)")
            done = db.execute("UPDATE attempts SET interrupted=interrupted+1, running=0 WHERE running=1")
        for (sha256,) in begun:
            self._underway.remove(sha256)
        return done.rowcount

    # --- results about to become visible ------------------------------------------------------------------

    def intend(self, intent: Intent) -> None:
        """Before the rename: enough to finish the bookkeeping when the service dies right after it."""
        self._underway.write(intent.record.sha256, intent)

    def intent(self, sha256: str) -> Intent | None:
        return self._underway.intent(sha256)

    def intents(self) -> list[Intent]:
        return [intent for _, intent in self._underway.all() if intent]


def _identity(path: Path) -> tuple[int, int]:
    status = os.stat(path)
    return status.st_dev, status.st_ino


def ledger_path(state: Path) -> Path:
    return state / "ledger.sqlite3"
