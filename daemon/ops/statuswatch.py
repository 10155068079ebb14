"""`status --watch`: what runs, as bars with the seconds left, and what waits, until Ctrl-C.

The service writes its state when something changes; between two writings the bars go on by the clock. On a
terminal the picture is drawn again in place; elsewhere a line is printed where something has changed.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

from config.settings import Settings
from daemon.core.exitcodes import MACHINE, OK
from daemon.core.text import one_line
from daemon.ops.status import Status, as_lines, read_status, time_left

REFRESH_S = 0.5
SHOWN = 8
BAR_CELLS = 30


def watch_status(settings: Settings) -> int:
    """Show it until it is interrupted. 0 when the service ran and answered at the end, else 4."""
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    console = Console(highlight=False)
    try:
        if console.is_terminal:
            with Live(console=console, auto_refresh=False) as live:
                for status in _every(settings):
                    live.update(Text("\n".join(watched_lines(status, settings))), refresh=True)
        else:
            _print_changes(settings)
    except KeyboardInterrupt:
        pass
    return OK if read_status(settings).responding else MACHINE


def _print_changes(settings: Settings) -> None:
    last = ""
    for status in _every(settings):
        text = "; ".join(progress_lines(status, bars=False))
        if text != last:
            print(text, flush=True)
            last = text


def watched_lines(status: Status, settings: Settings) -> list[str]:
    """The picture: headline and troubles, progress, the newest results."""
    lines = as_lines(status, settings)
    troubles = [line for line in lines if line.startswith("  !")]
    at = next((k for k, line in enumerate(lines) if line.startswith("last results")), len(lines))
    newest = lines[at : at + 1 + SHOWN]
    return [one_line(line) for line in (lines[0], *troubles, "", *progress_lines(status), "", *newest)]


def progress_lines(status: Status, bars: bool = True) -> list[str]:
    """One line for each drop that runs, one for what waits and what arrives."""
    lines = [_job_line(job, status.heartbeat_age_s or 0.0, bars) for job in status.jobs]
    if status.waiting_count:
        names = ", ".join(_named(entry) for entry in status.waiting[:SHOWN])
        more = f" and {status.waiting_count - SHOWN} more" if status.waiting_count > SHOWN else ""
        left = f" ({time_left(status.waiting_s)} for these)" if status.waiting_s else ""
        lines.append(one_line(f"waiting{left}: {names}{more}"))
    if status.arriving_count:
        names = ", ".join(entry["drop"] for entry in status.arriving[:SHOWN])
        more = f" and {status.arriving_count - SHOWN} more" if status.arriving_count > SHOWN else ""
        lines.append(one_line(f"arriving: {names}{more}"))
    return lines or ["nothing is waiting"]


def _named(entry: dict[str, Any]) -> str:
    return f"{entry['drop']} [{entry['why']}]" if entry.get("why") else str(entry["drop"])


def _job_line(job: dict[str, Any], age_s: float, bars: bool) -> str:
    name = one_line(str(job["drop"]))
    if job.get("suspended"):
        return f"{name}: halted, another goes first"
    expected, left = job.get("expected_s"), job.get("seconds_left")
    if expected is None or left is None or not bars:
        return f"{name}: {job['stage']}"
    left = max(left - age_s, 0.0)
    share = min(1.0 - left / expected, 0.97) if expected else 0.0  # full only when it is there
    cells = round(share * BAR_CELLS)
    return f"[{'#' * cells}{'.' * (BAR_CELLS - cells)}] {name}: {job['stage']}, {time_left(left)}"


def _every(settings: Settings) -> Iterator[Status]:
    while True:
        yield read_status(settings)
        time.sleep(REFRESH_S)
