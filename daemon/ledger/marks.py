"""The published folders as they were at the last look, in the ledger's table ``folders``."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from daemon.ledger.rows import Mark

Place = tuple[str, str]  # outcome, name of the folder


class Marks:
    """Read one by one: there may be ten thousand."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def of(self, place: Place) -> Mark | None:
        query = "SELECT outcome, folder, stamp, sha256 FROM folders WHERE outcome=? AND folder=?"
        row = self._db.execute(query, place).fetchone()
        return Mark(*row) if row else None

    def places(self) -> Iterator[Place]:
        """Every folder that was there."""
        yield from self._db.execute("SELECT outcome, folder FROM folders")


def put_marks(db: sqlite3.Connection, marks: list[Mark]) -> None:
    rows = [(mark.outcome, mark.folder, mark.stamp, mark.sha256) for mark in marks]
    db.executemany("INSERT OR REPLACE INTO folders VALUES(?,?,?,?)", rows)
