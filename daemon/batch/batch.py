"""A back-catalogue: many drops through an engine, each published as soon as it is ready.

Each drop goes through the steps of the service (`daemon.pipeline.steps`). What is published is
never done again, so an interrupted batch is resumed by the same command; what lies there unchanged
(size, times, inode) is not even read again.
"""

from __future__ import annotations

import itertools
import os
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from config.settings import Settings
from daemon.batch.engines import Engine, Outcome
from daemon.core.atomic import STAGING, discard
from daemon.core.errors import BeatintakeError, DropError, InternalError, MachineError
from daemon.core.private import private_name
from daemon.core.text import count
from daemon.ingest.grouping import Candidate, group, owner, stat_digest
from daemon.ingest.scan import fact_of, look
from daemon.ledger.ledger import PACK, Ledger, Record
from daemon.pipeline.job import JobResult, stamp_now
from daemon.pipeline.publication import Results
from daemon.pipeline.steps import (
    Ask,
    Compared,
    Decision,
    DropWork,
    Failure,
    Identified,
    Postpone,
    Publish,
    Reject,
    Split,
    StartOver,
    Step,
    decide,
)
from daemon.report.rejection import stage_rejection

UNUSABLE, QUESTION = "it cannot be used", "stems or beats?"
Ending = Literal["ready", "rejected", "known", "failed"]


@dataclass(slots=True)
class Item(DropWork):
    """One drop on its way."""

    tries: int = 0
    incoming: Path | None = None  # the service knows what lies there by another key

    @property
    def key(self) -> str:
        whole = os.path.abspath(self.path)
        return f"{whole}/{self.inner}" if self.inner else whole

    @property
    def places(self) -> tuple[str, ...]:
        inside = self.incoming is not None and self.key.startswith(f"{self.incoming}{os.sep}")
        return (self.key, os.path.relpath(self.key, self.incoming)) if inside else (self.key,)


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
    results: Results = field(init=False)
    _done: set[str] = field(default_factory=set)  # by this batch
    _held: dict[str, list[Item]] = field(default_factory=dict)
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))
    _token: str = field(default_factory=lambda: private_name("batch-"))

    def __post_init__(self) -> None:
        self.results = Results(self.settings.folders, self.ledger)

    @property
    def left(self) -> int:
        return len(self.waiting) + len(self.running) + sum(map(len, self._held.values()))

    def unchanged(self) -> Iterator[Ended]:
        """The endings of drops that are done and have not been touched since; they leave the queue."""
        before = {} if self.again else {path: (mark, sha256) for path, mark, sha256 in self.ledger.drops()}
        for _ in range(len(self.waiting)):
            item = self.waiting.popleft()
            mark, sha256 = before.get(item.key, (b"", None))
            known = (
                self.results.known(sha256)
                if sha256 and item.stat_digest and item.stat_digest == mark
                else None
            )
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
        if item.step is Step.RUN:
            item.staging = self.settings.folders.ready / STAGING / name
            item.staging.mkdir(parents=True)
        self.running[name] = item
        engine.submit(item.task(name, self.settings, stamp_now()))

    def _handle(self, outcome: Outcome) -> Iterator[Ended]:
        item = self.running.pop(outcome.task_id)
        try:
            yield from self._follow(item, decide(item, outcome))
        except MachineError as error:
            yield from self._end(item, Ended(item.path, "failed", error=error))

    def _follow(self, item: Item, decision: Decision) -> Iterator[Ended]:
        match decision:
            case Split(mixes=mixes):
                yield from self._split(item, mixes)
            case Ask(reason=reason, mixes=mixes):
                yield from self._end(item, self._reject(item, reason, QUESTION, {"question": sorted(mixes)}))
            case Identified(sha256=sha256):
                yield from self._identified(item, sha256)
            case Compared(part=part):
                item.earlier = part
                yield from self._identified(item, item.subject)
            case Publish(result=result):
                yield from self._publish(item, result)
            case Reject(reason=reason):
                yield from self._end(item, self._reject(item, reason))
            case StartOver(error=MachineError() as error) | Postpone(error=error):
                yield from self._end(item, Ended(item.path, "failed", error=error))
            case StartOver(reason=reason) | Failure(reason=reason):
                yield from self._try_again(item, reason)

    def _identified(self, item: Item, sha256: str) -> Iterator[Ended]:
        item.sha256 = sha256
        before = self.ledger.find(sha256)
        known = None if self.again and sha256 not in self._done else self.results.known(sha256)
        if before is not None and before.outcome == PACK:
            yield from self._split(item, before.summary["mixes"])
        elif item.step is Step.IDENTIFY and (earlier := self.results.earlier(item, sha256)):
            item.earlier, item.step = earlier, Step.CONTINUES
            self.waiting.appendleft(item)
        elif known is not None and (known.outcome == "ready" or sha256 in self._done):
            self.ledger.record_drop(item.key, item.stat_digest, sha256)
            self.results.drop_part(item.earlier)
            yield Ended(item.path, "known" if known.outcome == "ready" else "rejected", known)
        elif sha256 in self._held:
            self._held[sha256].append(item)
        else:
            self._held[sha256] = []
            item.step = Step.RUN
            self.waiting.appendleft(item)

    def _publish(self, item: Item, result: JobResult) -> Iterator[Ended]:
        assert item.staging is not None
        record = item.record("ready", result.folder_name, None, time.time(), result.summary)
        record = self.results.appear(item.staging, record, item.key, item.stat_digest, item.earlier)
        yield from self._end(item, Ended(item.path, "ready", record))

    def _split(self, item: Item, mixes: dict[str, list[str]]) -> Iterator[Ended]:
        """A pack of beats: each of its files is an item of its own."""
        self._clear(item)
        self.ledger.record(item.record(PACK, "", None, time.time(), {"mixes": mixes}))
        self.results.drop_part(item.earlier)
        self.waiting.extendleft(reversed([self._beat(item, name, others) for name, others in mixes.items()]))
        for twin in self._held.pop(item.sha256 or "", []):
            self.waiting.append(replace(twin, step=Step.IDENTIFY, earlier=None))
        yield from ()

    def _beat(self, pack: Item, name: str, others: list[str]) -> Item:
        folder = pack.path.is_dir()
        return Item(
            pack.path / name if folder else pack.path,
            pack.producer,
            inner=None if folder else name,
            pack=str(pack.path),
            other_mixes=tuple(others),
            incoming=pack.incoming,
        )

    def _reject(
        self, item: Item, reason: str, heading: str = UNUSABLE, more: dict[str, Any] | None = None
    ) -> Ended:
        """A rejected drop is tried again each time it is asked for, and has one folder all the same."""
        self._clear(item)
        before = self.results.known(item.subject)
        if before is not None and before.outcome == "ready":
            step = f"the results of before stay in {before.folder}"
            return Ended(
                item.path, "failed", error=DropError(item.shown, f"it cannot be used now: {reason}", step)
            )
        staged = self.settings.folders.rejected / STAGING / f"{self._token}-{next(self._numbers)}"
        record = item.record("rejected", "", reason, time.time(), more or {})
        record = replace(record, folder=stage_rejection(staged, record, heading, self.settings))
        record = self.results.appear(staged, record, item.key, item.stat_digest, item.earlier)
        return Ended(item.path, "rejected", record)

    def _try_again(self, item: Item, reason: str) -> Iterator[Ended]:
        self._clear(item)
        item.tries += 1
        if item.tries < self.settings.limits.max_attempts:
            self.waiting.append(item)
        else:
            cause = f"it was tried {count(item.tries, 'time')} and failed each time: {reason}"
            error = InternalError(item.shown, cause, "export it anew and process it again")
            yield from self._end(item, Ended(item.path, "failed", error=error))

    def _end(self, item: Item, ended: Ended) -> Iterator[Ended]:
        self._clear(item)
        if item.sha256:
            self._done.add(item.sha256)
        yield ended
        for twin in self._held.pop(item.sha256 or "", []):
            self.waiting.append(replace(twin, step=Step.IDENTIFY, earlier=None))

    def _clear(self, item: Item) -> None:
        if item.staging is not None:
            discard(item.staging)
            item.staging = None


def find_items(path: Path, settings: Settings) -> list[Item]:
    """The drops at a path that the user named: a file, a folder of stems, or a folder with drops in it."""
    path = path.resolve()  # a link that the user names is meant; links found in folders are not followed
    incoming = settings.folders.incoming.resolve()
    if not path.is_dir():
        producer = _producer(path.parent, None, incoming)
        return [Item(path, producer, stat_digest=_digest_of(path), incoming=incoming)]
    if owner(f"{path.name}/x", set()):
        return [Item(path, _producer(path.parent, None, incoming), incoming=incoming)]
    facts = look(path, settings.arrival.ignore).facts
    found = sorted(group(facts, settings.arrival.extensions), key=lambda candidate: candidate.key)
    return [_item(path, candidate, incoming) for candidate in found]


def _item(root: Path, found: Candidate, incoming: Path) -> Item:
    producer = _producer(root, found.producer, incoming)
    return Item(root / found.key, producer, found.stat_digest, pack=found.pack, incoming=incoming)


def _producer(root: Path, below: str | None, incoming: Path) -> str | None:
    """The folders `below` the one that the user named; inside the incoming folder all from there on, as the
    service has it.
    """
    above = root.relative_to(incoming).parts if root.is_relative_to(incoming) else ()
    return "/".join([*above, *([below] if below else [])]) or None


def _digest_of(path: Path) -> bytes:
    try:
        return stat_digest([fact_of(path.name, path.lstat())])
    except OSError:  # the worker finds the words
        return b""
