"""The service's state as plain facts, for the health file. Bounded, however much is waiting."""

from __future__ import annotations

import os
import socket
import time
from typing import Any

from daemon.core.problems import Problems
from daemon.core.text import valid
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.pending import PendingDrop, Phase
from daemon.ingest.watch import Watch
from daemon.service.active_drop import ActiveDrop
from daemon.service.dispatcher import Dispatcher

SHOWN = 50
HELD, FIRST = "held until 'beatintake front' names it", "goes first"


def service_facts(
    arrivals: Arrivals,
    dispatcher: Dispatcher,
    watch: Watch,
    problems: Problems,
    state: str,
    paused: str | None,
    notices: list[str],
) -> dict[str, Any]:
    """``state``: starting, running, stopping. ``paused``: why no new work starts, or None.
    ``notices``: what had to be put right since the start.
    """
    now = time.monotonic()
    waiting, arriving = arrivals.in_phase(Phase.WAITING), arrivals.in_phase(Phase.ARRIVING)
    return {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "state": state,
        "paused": paused,
        "healthy": not problems.current and state == "running",
        "problems": problems.texts(),
        "notices": notices,
        "watch": watch.mode,
        "watch_note": watch.note,
        "arriving_count": len(arriving),
        "waiting_count": len(waiting),
        "arriving": [_line(entry, now, arrivals) for entry in arriving[:SHOWN]],
        "waiting": [_line(entry, now, arrivals) for entry in arrivals.first(SHOWN, waiting)],
        "waiting_s": round(sum(dispatcher.pace.expected_s(e.candidate) for e in waiting), 1),
        "running": [
            {
                "drop": valid(drop.key),
                "stage": drop.stage,
                "since": drop.started_at,
                "suspended": dispatcher.pool.suspended(drop.id),
                "bytes": drop.candidate.size,
                "expected_s": round(dispatcher.pace.expected_s(drop.candidate), 2),
                "seconds_left": _left(drop, dispatcher, now),
            }
            for drop in dispatcher.active.values()
        ],
        "ready_since_start": dispatcher.ready_count,
        "rejected_since_start": dispatcher.rejected_count,
    }


def _left(drop: ActiveDrop, dispatcher: Dispatcher, now: float) -> float:
    """Seconds until the result as far as can be told; 0 when it should be there already."""
    worked = now - drop.begun - drop.halted_s
    return round(max(dispatcher.pace.expected_s(drop.candidate) - worked, 0.0), 1)


def _line(entry: PendingDrop, now: float, arrivals: Arrivals) -> dict[str, Any]:
    held = HELD if entry.key in arrivals.held else None
    first = FIRST if entry.key in arrivals.front else None
    return {
        "drop": valid(entry.key),
        "bytes": entry.candidate.size,
        "seconds": round(now - entry.first_seen, 1),
        "why": held or first or entry.why or None,
    }
