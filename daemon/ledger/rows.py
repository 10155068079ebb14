"""The ledger's tables and what stands in a row of each."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from dataclasses import dataclass, field
from typing import Any

SCHEMA_VERSION = 1
PACK = "pack"
"""Outcome of a folder or zip of several beats: it has no folder, its beats have."""
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
CREATE TABLE IF NOT EXISTS folders(
  outcome TEXT NOT NULL, folder TEXT NOT NULL, stamp TEXT NOT NULL, sha256 TEXT NOT NULL,
  PRIMARY KEY(outcome, folder)) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Record:
    """What became of one content. ``folder`` is a name inside ready/ or rejected/, by outcome."""

    sha256: str
    outcome: str  # "ready", "rejected" or PACK
    folder: str
    name: str
    producer: str | None = None
    reason: str | None = None
    summary: dict[str, Any] = field(default_factory=dict)
    at: float = 0.0  # seconds since the epoch

    @property
    def parts(self) -> dict[str, tuple[str, int]]:
        """SHA-256 and length of what each file of a longer copy must begin with, by relative name; "" is the
        drop's own file (of a zip there are both).
        """
        inside = self.summary.get("beginnings")
        said = {"": self.summary.get("beginning"), **(inside if isinstance(inside, dict) else {})}
        found = {}
        for name, part in said.items():
            match part:
                case [str(sha256), int(length)] if length > 0:
                    found[name] = sha256, length
        return found


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


@dataclass(frozen=True, slots=True)
class Mark:
    """A published folder as last seen: ``stamp`` tells whether it is still the same."""

    outcome: str
    folder: str
    stamp: str
    sha256: str


def put_record(db: sqlite3.Connection, record: Record) -> None:
    row = as_dict(record)
    row["at"] = record.at or time.time()
    row["summary"] = json.dumps(record.summary)
    db.execute(
        "INSERT OR REPLACE INTO contents(sha256, outcome, folder, name, producer, reason, summary, at)"
        " VALUES(:sha256, :outcome, :folder, :name, :producer, :reason, :summary, :at)",
        row,
    )


def put_drop(db: sqlite3.Connection, path: str, stat_digest: bytes, sha256: str | None) -> None:
    db.execute(
        "INSERT OR REPLACE INTO drops VALUES(?,?,?,?)", (os.fsencode(path), stat_digest, sha256, time.time())
    )


def as_dict(record: Record) -> dict[str, Any]:
    return {name: getattr(record, name) for name in Record.__dataclass_fields__}


def record_of(row: tuple[Any, ...]) -> Record:
    sha256, outcome, folder, name, producer, reason, summary, at = row
    return Record(sha256, outcome, folder, name, producer, reason, json.loads(summary), at)
