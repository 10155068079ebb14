"""The service's state as plain facts, for the health file. Bounded, however much is waiting."""

from __future__ import annotations

import os
import socket
import time
from typing import Any

from daemon.core.problems import Problems
from daemon.core.text import valid
from daemon.ingest.arrivals import Arrivals, PendingDrop, Phase
from daemon.ingest.watch import Watch
from daemon.service.dispatcher import Dispatcher

SHOWN = 50


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
        "arriving": [_line(entry, now) for entry in arriving[:SHOWN]],
        "waiting": [_line(entry, now) for entry in waiting[:SHOWN]],
        "running": [
            {
                "drop": valid(drop.key),
                "stage": drop.stage,
                "since": drop.started_at,
                "suspended": dispatcher.pool.suspended(drop.id),
            }
            for drop in dispatcher.active.values()
        ],
        "ready_since_start": dispatcher.ready_count,
        "rejected_since_start": dispatcher.rejected_count,
    }


def _line(entry: PendingDrop, now: float) -> dict[str, Any]:
    return {
        "drop": valid(entry.key),
        "bytes": entry.candidate.size,
        "seconds": round(now - entry.first_seen, 1),
        "why": entry.why or None,
    }
