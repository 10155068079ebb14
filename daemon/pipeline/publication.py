"""How a result becomes visible and is written down, exactly once for each content.

Order: everything in the staged folder durable on disk; the intent beside the ledger; the rename; the record
in the ledger. A crash after any of these steps is told apart at the next start (or the next try) by looking
which of the two folders is there, so a result is neither lost nor published twice.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace
from pathlib import Path

from config.settings import Folders
from daemon.core.atomic import (
    STAGING,
    TAKEN,
    discard,
    free_name,
    machine_error,
    reveal,
    sync_folder,
    sync_tree,
)
from daemon.core.logs import note
from daemon.ledger.ledger import PACK, Intent, Ledger, Record
from daemon.ledger.visible import Visible, report_of
from daemon.pipeline.inplace import kept_by_people, listed, remove, replace_in
from daemon.pipeline.steps import DropWork

log = logging.getLogger("beatintake.publication")


@dataclass(slots=True)
class Results:
    folders: Folders
    ledger: Ledger
    visible: Visible = field(init=False)

    def __post_init__(self) -> None:
        self.use_ledger(self.ledger)

    def use_ledger(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.visible = Visible(ledger, {"ready": self.folders.ready, "rejected": self.folders.rejected})

    def root_of(self, record: Record) -> Path:
        return self.folders.ready if record.outcome == "ready" else self.folders.rejected

    def folder_of(self, record: Record) -> Path:
        return self.root_of(record) / record.folder

    def known(self, sha256: str) -> Record | None:
        """What became of this content, when its folder is still there (who removes it may have it again).

        The folders decide, not the ledger. Raises MachineError while they cannot be looked at.
        """
        record = self.ledger.find(sha256)
        if record is None:
            intent = self.ledger.intent(sha256)
            if intent is not None and self.finish(intent):
                record = intent.record
        if record is not None and self.visible.holds(record):
            return record
        return self.visible.find(sha256)

    def earlier(self, drop: DropWork, sha256: str) -> Record | None:
        """What else the drop's place held before, if it can be told whether the drop goes on with it."""
        before = next(filter(None, map(self.ledger.content_of, drop.places)), None)
        record = self.ledger.find(before) if before and before != sha256 else None
        if record is None or record.outcome == PACK or drop.single != ("" in record.parts):
            return None
        return record if record.parts else None

    def appear(
        self, staged: Path, record: Record, path: str, stat_digest: bytes, part: Record | None = None
    ) -> Record:
        """Publish a staged folder under ``record.folder`` or the next free name. Returns the final record.

        There is one result for each content: a ready one that is made again takes the place of the old one,
        and a rejection goes when there is another result. So does the result of ``part``, an incomplete copy
        of the same file; but a rejection replaces nothing that is ready.

        Raises MachineError. When ``staged`` is then gone, the result is visible and only the record is
        missing: ``known`` or the next start completes it.
        """
        root, before, stamps = self.root_of(record), self.known(record.sha256), self.visible.stamps()
        if part is not None and record.outcome == "rejected" and part.outcome == "ready":
            part = None
        if part is not None and before is None and self.visible.holds(part):
            before = part
        try:
            if before is not None and before.outcome == record.outcome == "ready":
                record = replace(record, folder=before.folder)
                replace_in(root / before.folder, staged)
                discard(staged)
            else:
                sync_tree(staged)  # quick: the worker has done it already
                sync_folder(staged.parent)
                if before is not None and before.outcome == "rejected":
                    discard(self.folder_of(before))
                record = self._rename(staged, root, record, path, stat_digest)
        except OSError as error:
            raise machine_error(error, root) from error
        self.ledger.record(record, path, stat_digest, self.visible.mark_of(record))
        self.visible.added(record, stamps)  # only now: till then the part is what is known there
        if part is not None:
            self._forget_part(part)
        return record

    def drop_part(self, part: Record | None) -> None:
        """The whole file is known: the result of its incomplete copy, if there is one, goes; what people keep
        there stays.
        """
        if part is None:
            return
        folder = self.folder_of(part)
        if self.visible.holds(part):
            ours = listed(folder)
            if part.outcome == "rejected" or not kept_by_people(folder) or len(ours) < 2:
                discard(folder)  # also with a report that lists nothing
            remove(folder, ours)
        self._forget_part(part)

    def _forget_part(self, part: Record) -> None:
        self.ledger.forget(part.sha256)
        facts = {"folder": part.folder, "sha256": part.sha256[:12]}
        note(log, logging.INFO, "an incomplete copy was replaced", **facts)

    def _rename(self, staged: Path, root: Path, record: Record, path: str, stat_digest: bytes) -> Record:
        wanted = record.folder
        while True:
            record = replace(record, folder=free_name(root, wanted))
            self.ledger.intend(Intent(staged.name, record, path, stat_digest))
            before = self.visible.stamps()
            try:
                reveal(staged, root, record.folder)
                self.visible.added(record, before)
                return record
            except OSError as error:
                if error.errno not in TAKEN:
                    raise

    def finish(self, intent: Intent) -> bool:
        """Complete an intent that happened. True when it did."""
        record = intent.record
        staged = self.root_of(record) / STAGING / intent.staged
        visible = report_of(self.folder_of(record), record.outcome)
        if staged.exists() or visible is None or visible.sha256 != record.sha256:
            return False
        self.ledger.record(record, intent.path, intent.stat_digest)
        note(log, logging.INFO, "completed after an interruption", drop=intent.path, folder=record.folder)
        return True

    def finish_all(self) -> int:
        """At start. Returns how many results had become visible without a record."""
        return sum(self.finish(intent) for intent in self.ledger.intents())
