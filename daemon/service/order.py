"""The order that people ask for: what they wait for goes first, what they hold waits.

The command line leaves a request (`control`); the service keeps the order in ``order.json`` of the state
folder, so that it outlives a restart.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path, PurePath

from config.settings import Settings
from daemon.core.atomic import atomic_write
from daemon.core.errors import FolderUnreachable, WrongRequest
from daemon.core.lookup import the_one
from daemon.core.oserrors import plainly
from daemon.core.text import enumerated, one_line
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.incoming import Incoming
from daemon.ingest.watch import has_loose_inodes
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.service.control import ask, whether_running
from daemon.service.heartbeat import read_heartbeat
from daemon.service.presence import is_locked

FRONT, HOLD = "front", "hold"
LISTED = 10
SAID = {
    FRONT: "goes first",
    HOLD: "is held until 'beatintake front' names it",
}


def ask_order(settings: Settings, verb: str, names: Sequence[str]) -> int:
    """Ask the service to bring drops forward or to hold them. Raises WrongRequest: nothing is called so."""
    folders = settings.folders
    left = {key: {PurePath(key).name, PurePath(key).stem} for key in not_done(settings)}
    none = f"not done yet: {enumerated(sorted(map(one_line, left)), LISTED) or 'nothing'}"
    keys = [the_one(name, left, "beat in the incoming folder that is not done", none) for name in names]
    if verb == HOLD and is_locked(folders.state, folders.incoming):
        running = {job.get("drop") for job in (read_heartbeat(folders.state) or {}).get("running", [])}
        for key in keys:
            if key in running:
                raise WrongRequest(one_line(key), "it is being analysed already", "wait for its folder")
    ask(folders.state, {verb: keys})
    for key in keys:
        print(one_line(f"{key} {SAID[verb]}{whether_running(settings)}"))
    return 0


def not_done(settings: Settings) -> list[str]:
    """Keys of what lies in the incoming folder and is not done as it is now. Raises FolderUnreachable."""
    folders = settings.folders
    incoming = Incoming(folders.incoming, settings.arrival)
    incoming.loose = has_loose_inodes(folders.incoming)
    done: dict[str, bytes] = {}
    with suppress(sqlite3.Error, OSError), closing(Ledger.read_only(ledger_path(folders.state))) as ledger:
        done = {path: digest for path, digest, _ in ledger.drops()}
        incoming.recall(ledger.drops(), ledger.packs())
    try:
        candidates, _ = incoming.full()
    except OSError as error:
        raise FolderUnreachable(
            str(folders.incoming), plainly(error), "mount the share, or look at the configuration"
        ) from None
    return [candidate.key for candidate in candidates if done.get(candidate.key) != candidate.stat_digest]


def set_order(state: Path, arrivals: Arrivals, request: dict[str, list[str]]) -> list[str]:
    """Do what a request says, and keep it. Returns what was done, for the log."""
    for key in reversed(request.get(FRONT, [])):
        arrivals.bring_forward(key)
    for key in request.get(HOLD, []):
        arrivals.set_aside(key)
    done = [f"{verb}: {key}" for verb in (FRONT, HOLD) for key in request.get(verb, [])]
    if done:
        kept = {FRONT: arrivals.front, HOLD: sorted(arrivals.held)}
        atomic_write(_path(state), json.dumps(kept).encode())
    return done


def restore_order(state: Path, arrivals: Arrivals) -> None:
    """At the start: what was asked for in an earlier life. An unreadable file asks for nothing."""
    with suppress(OSError, ValueError, AttributeError, TypeError):
        kept = json.loads(_path(state).read_bytes())
        front, held = (list(map(str, kept.get(verb, []))) for verb in (FRONT, HOLD))
        arrivals.front, arrivals.held = front, set(held)


def _path(state: Path) -> Path:
    return state / "order.json"
