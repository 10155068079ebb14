"""A folder or zip of several beats is split: its files become drops of their own, questions about it end."""

from __future__ import annotations

import logging
import time
from contextlib import suppress
from typing import TYPE_CHECKING

from daemon.core.atomic import discard
from daemon.core.logs import note
from daemon.ingest.arrivals import DropState
from daemon.ledger.ledger import PACK
from daemon.service.active_drop import ActiveDrop

if TYPE_CHECKING:
    from daemon.service.dispatcher import Dispatcher

log = logging.getLogger("beatintake.packs")


def split(dispatcher: Dispatcher, drop: ActiveDrop, mixes: dict[str, list[str]]) -> None:
    """From now on and at the next start its files are drops of their own."""
    if dispatcher.fresh_state(drop) is not DropState.UNCHANGED:
        dispatcher.give_back(drop)
        return
    if drop.staging is not None:
        discard(drop.staging)
        drop.staging = None
    incoming, now = dispatcher.settling.incoming, dispatcher.clock()
    close_questions(dispatcher, drop, drop.sha256)
    record = drop.record(PACK, "", None, time.time(), {"mixes": mixes})
    dispatcher.ledger.record(record, drop.key, drop.stat_digest)
    dispatcher.results.drop_part(drop.earlier)
    incoming.know(drop.key, drop.stat_digest, mixes)
    dispatcher.arrivals.finish(drop.key, now)
    dispatcher.close(drop)
    note(log, logging.INFO, "several beats: each is taken on its own", pack=drop.key, beats=len(mixes))
    with suppress(OSError):  # then the next full look finds them
        for candidate in incoming.around(drop.key):
            dispatcher.arrivals.see(candidate, now)


def close_questions(dispatcher: Dispatcher, drop: ActiveDrop, sha256: str | None) -> None:
    """What was asked about this drop or its pack is settled, unless it is about these very bytes."""
    for path in filter(None, (drop.key, drop.pack)):
        for asked in dispatcher.ledger.at(path):
            if asked.summary.get("question") and asked.sha256 != sha256:
                discard(dispatcher.results.folder_of(asked))
                dispatcher.ledger.forget(asked.sha256)
