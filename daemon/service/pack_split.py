"""A folder or zip of several beats is split: its files become drops of their own, questions about it end.

A folder that was split while one of its files was incomplete is judged again when the whole file is there.
"""

from __future__ import annotations

import logging
import time
from contextlib import suppress
from typing import TYPE_CHECKING

from daemon.core.atomic import discard
from daemon.core.logs import note
from daemon.ingest.arrivals import DropState
from daemon.ingest.grouping import DOUBTED
from daemon.ledger.ledger import PACK, Record
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


def judge_anew(dispatcher: Dispatcher, drop: ActiveDrop) -> bool:
    """This file goes on where an incomplete copy of it ended: is its folder, split meanwhile, judged again?
    True: it is, as a whole. False where a marker or a look at these very files has said that they are beats.
    """
    incoming, ledger, pack = dispatcher.settling.incoming, dispatcher.ledger, drop.pack
    if pack is None or pack not in incoming.split:
        return False
    whole = None
    with suppress(OSError):  # then it stays split
        whole = incoming.undivided(pack)
    if whole is None or (pack, whole.stat_digest) in ((path, digest) for path, digest, _ in ledger.drops()):
        return False
    incoming.forget(pack)
    incoming.doubted.add(pack)
    ledger.record_drop(pack, DOUBTED, ledger.content_of(pack))  # the next life must know it, too
    dispatcher.arrivals.done.pop(pack, None)
    dispatcher.give_back(drop)
    dispatcher.settling.scan(dispatcher.clock())
    note(log, logging.INFO, "a file of it was incomplete: judged again as a whole", pack=pack)
    return True


def _is_one_again(dispatcher: Dispatcher, drop: ActiveDrop, record: Record) -> bool:
    """Was the folder split because a file was incomplete, and is it the stems of one beat after all?"""
    return record.outcome == "ready" and drop.key in dispatcher.settling.incoming.doubted


def known_by(dispatcher: Dispatcher, drop: ActiveDrop, record: Record) -> bytes:
    """The digest in the ledger: one that is one again is done only when `withdraw_singles` is."""
    return DOUBTED if _is_one_again(dispatcher, drop, record) else drop.stat_digest


def withdraw_singles(dispatcher: Dispatcher, drop: ActiveDrop, record: Record) -> None:
    """What was published of the single files of a folder that is one again goes, apart from what people keep
    there.
    """
    if not _is_one_again(dispatcher, drop, record):
        return
    ledger = dispatcher.ledger
    places: dict[str, list[str]] = {}
    for path, _, sha256 in ledger.drops():
        if sha256 is not None:
            places.setdefault(sha256, []).append(path)
    for sha256, paths in places.items():
        if all(path.startswith(f"{drop.key}/") for path in paths):
            dispatcher.results.drop_part(ledger.find(sha256))
    ledger.record_drop(drop.key, drop.stat_digest, record.sha256)
    dispatcher.settling.incoming.doubted.discard(drop.key)


def close_questions(dispatcher: Dispatcher, drop: ActiveDrop, sha256: str | None) -> None:
    """What was asked about this drop or its pack is settled, unless it is about these very bytes."""
    for path in filter(None, (drop.key, drop.pack)):
        for asked in dispatcher.ledger.at(path):
            if asked.summary.get("question") and asked.sha256 != sha256:
                discard(dispatcher.results.folder_of(asked))
                dispatcher.ledger.forget(asked.sha256)
