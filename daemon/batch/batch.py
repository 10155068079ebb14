"""A back-catalogue: many drops through an engine, each published as soon as it is ready.

Each drop goes through the steps of the service: (folders that may be stems) are they? -> its hash ->
known already? -> decode, analyse, render in a private folder -> publish. What is published is
never done again, so an interrupted batch is resumed by the same command; what lies there unchanged
(size, times, inode) is not even read again.
"""

from __future__ import annotations

import itertools
import os
import secrets
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from config.settings import Settings
from daemon.batch.engines import Engine, Outcome
from daemon.core.atomic import STAGING, discard
from daemon.core.errors import BeatintakeError, DropError, InternalError, MachineError
from daemon.core.text import file_name, lines, one_line, valid
from daemon.ingest.grouping import Candidate, Kind, group, owner, stat_digest
from daemon.ingest.scan import fact_of, look
from daemon.ledger.ledger import Ledger, Record
from daemon.ledger.rejection import stage_rejection
from daemon.pipeline.job import JobRequest, JobResult
from daemon.pipeline.publication import Results
from daemon.pipeline.steps import ARE_STEMS, IDENTIFY, RUN
from daemon.workers.pool import Died, Done, Failed, Task

Ending = Literal["ready", "rejected", "known", "failed"]


@dataclass(slots=True)
class Item:
    """One drop on its way. `members`: what it splits into when it turns out to be no stems."""

    path: Path
    producer: str | None = None
    step: str = "identify"
    members: tuple[Path, ...] = ()
    mark: bytes = b""  # stat_digest of size, times and inode; empty: not known
    sha256: str = ""
    tries: int = 0
    staging: Path | None = None

    @property
    def key(self) -> str:
        """How the ledger names it."""
        return os.path.abspath(self.path)


@dataclass(frozen=True, slots=True)
class Ended:
    """How one drop ended; `record` holds what is known of it."""

    path: Path
    how: Ending
    record: Record | None = None
    error: BeatintakeError | None = None


@dataclass(slots=True)
class Batch:
    """`run` yields every ending as it comes."""

    settings: Settings
    ledger: Ledger
    again: bool = False
    waiting: deque[Item] = field(default_factory=deque)
    running: dict[str, Item] = field(default_factory=dict)
    _held: dict[str, list[Item]] = field(default_factory=dict)
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))
    _token: str = field(default_factory=lambda: secrets.token_hex(3))

    @property
    def results(self) -> Results:
        return Results(self.settings.folders, self.ledger)

    @property
    def left(self) -> int:
        return len(self.waiting) + len(self.running) + sum(map(len, self._held.values()))

    def unchanged(self) -> Iterator[Ended]:
        """The endings of drops that are done and have not been touched since; they leave the queue."""
        before = {} if self.again else {path: (mark, sha256) for path, mark, sha256 in self.ledger.drops()}
        for _ in range(len(self.waiting)):
            item = self.waiting.popleft()
            mark, sha256 = before.get(item.key, (b"", None))
            known = self.results.known(sha256) if sha256 and item.mark and item.mark == mark else None
            if known is not None and known.outcome == "ready":
                yield Ended(item.path, "known", known)
            else:
                self.waiting.append(item)

    def run(self, engine: Engine) -> Iterator[Ended]:
        try:
            while self.waiting or self.running:
                while self.waiting and engine.room > 0:
                    self._submit(engine, self.waiting.popleft())
                for outcome in engine.outcomes(1.0):
                    yield from self._handle(outcome)
        finally:
            for item in self.running.values():
                self._clear(item)

    # --- steps ----------------------------------------------------------------------------

    def _submit(self, engine: Engine, item: Item) -> None:
        name = f"{self._token}-{next(self._numbers)}"
        function: str = IDENTIFY
        arguments: tuple[Any, ...] = (item.path, self.settings.arrival.ignore)
        if item.step == "stems":
            function = ARE_STEMS
        elif item.step == "run":
            item.staging = self.settings.folders.ready / STAGING / f"batch-{name}"
            item.staging.mkdir(parents=True)
            stamp = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
            request = JobRequest(item.path, item.staging, self.settings, item.producer, stamp)
            function, arguments = RUN, (request,)
        self.running[name] = item
        engine.submit(Task(name, function, arguments, self.settings.limits.job_timeout_seconds))

    def _handle(self, outcome: Outcome) -> Iterator[Ended]:
        item = self.running.pop(outcome.task_id)
        try:
            match outcome:
                case Done(value=value):
                    yield from self._done(item, value)
                case Failed(error=DropError() as error):
                    yield self._reject(item, error.about(file_name(item.path)))
                case Failed(error=MachineError() as error):
                    yield from self._end(item, Ended(item.path, "failed", error=error))
                case Failed(error=error):
                    yield from self._try_again(item, str(error))
                case Died(reason=reason):
                    yield from self._try_again(item, reason)
        except MachineError as error:
            yield from self._end(item, Ended(item.path, "failed", error=error))

    def _done(self, item: Item, value: Any) -> Iterator[Ended]:
        if item.step == "stems":
            if value:
                self.waiting.appendleft(replace(item, step="identify", members=()))
            else:
                self.waiting.extendleft(Item(path, item.producer) for path in reversed(item.members))
        elif item.step == "identify":
            yield from self._identified(item, str(value))
        elif value.outcome == "rejected":
            yield self._reject(item, value.reason or "no reason given")
        else:
            yield from self._publish(item, value)

    def _identified(self, item: Item, sha256: str) -> Iterator[Ended]:
        item.sha256 = sha256
        known = None if self.again else self.results.known(sha256)
        if known is not None and known.outcome == "ready":
            self.ledger.record_drop(item.key, item.mark, sha256)
            yield Ended(item.path, "known", known)
        elif sha256 in self._held:
            self._held[sha256].append(item)
        else:
            self._held[sha256] = []
            item.step = "run"
            self.waiting.appendleft(item)

    def _publish(self, item: Item, result: JobResult) -> Iterator[Ended]:
        if result.sha256 != item.sha256:  # replaced while it was being read
            yield from self._try_again(item, "it changed while it was being read")
            return
        assert item.staging is not None
        record = self._record(item, "ready", result.folder_name, None, result.summary)
        record = self.results.appear(item.staging, record, item.key, item.mark)
        yield from self._end(item, Ended(item.path, "ready", record))

    def _reject(self, item: Item, reason: str) -> Ended:
        self._clear(item)
        staged = self.settings.folders.rejected / STAGING / f"batch-{self._token}-{next(self._numbers)}"
        record = self._record(item, "rejected", "", reason, {"path": valid(str(item.path))})
        record = replace(record, folder=stage_rejection(staged, record, "it cannot be used"))
        return Ended(item.path, "rejected", self.results.appear(staged, record, item.key, item.mark))

    def _try_again(self, item: Item, reason: str) -> Iterator[Ended]:
        self._clear(item)
        item.tries += 1
        if item.tries < self.settings.limits.max_attempts:
            self.waiting.append(item)
        else:
            cause = f"it was tried {item.tries} times and failed each time: {reason}"
            error = InternalError(file_name(item.path), cause, "export it anew and process it again")
            yield from self._end(item, Ended(item.path, "failed", error=error))

    def _end(self, item: Item, ended: Ended) -> Iterator[Ended]:
        self._clear(item)
        yield ended
        for twin in self._held.pop(item.sha256, []):
            self.waiting.append(replace(twin, step="identify"))

    def _clear(self, item: Item) -> None:
        if item.staging is not None:
            discard(item.staging)
            item.staging = None

    def _record(
        self, item: Item, outcome: str, folder: str, reason: str | None, summary: dict[str, Any]
    ) -> Record:
        subject = item.sha256 or f"drop:{valid(str(item.path))}"
        name = file_name(item.path)
        return Record(
            subject, outcome, folder, name, item.producer, reason and lines(reason), summary, time.time()
        )


def find_items(path: Path, settings: Settings) -> list[Item]:
    """The drops at a path that the user named: a file, a folder of stems, or a folder with drops in it."""
    path = path.resolve()  # a link that the user names is meant; links found in folders are not followed
    if not path.is_dir():
        return [Item(path, mark=_mark_of(path))]
    if owner(f"{path.name}/x", set()):
        return [Item(path)]
    facts = look(path, settings.arrival.ignore).facts
    found = sorted(group(facts, settings.arrival.extensions), key=lambda candidate: candidate.key)
    return [_item(path, candidate) for candidate in found]


def _item(root: Path, candidate: Candidate) -> Item:
    members = tuple(root / fact.path for fact in candidate.members)
    step = "stems" if candidate.kind is Kind.MAYBE_STEMS else "identify"
    producer = one_line(candidate.producer) if candidate.producer else None
    return Item(root / candidate.key, producer, step, members, candidate.stat_digest)


def _mark_of(path: Path) -> bytes:
    try:
        return stat_digest([fact_of(path.name, path.lstat())])
    except OSError:  # the worker finds the words
        return b""
