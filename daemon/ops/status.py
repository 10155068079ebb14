"""Is it running, what is waiting, what is new, what needs ears. Light: no numpy, no analysis, answers at
once.

Read from the health file (written by the service at each heartbeat) and the ledger, never from the service
itself: an answer also comes when it is busy, hung or dead.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from config.settings import Folders, Settings
from daemon.core.errors import MachineError
from daemon.core.exitcodes import MACHINE, OK
from daemon.core.names import ears_words, key_words, tempo_words
from daemon.core.text import one_line, shortened
from daemon.corrections.refusals import Refusals
from daemon.ledger.ledger import Ledger, Record, ledger_path
from daemon.ledger.othernames import other_names
from daemon.ledger.rejection import question_line
from daemon.ledger.visible import unrecorded
from daemon.service.heartbeat import STALE_S, read_heartbeat, state_trouble
from daemon.service.presence import is_locked, is_paused

MUTE = "cannot report"
RESULTS_SHOWN = 10
EARS_SHOWN = 10
QUEUE_SHOWN = 5
REFUSED_SHOWN = 10


@dataclass(frozen=True, slots=True)
class Status:
    """``running``: a living process has the lock. ``responding``: its heartbeat is younger than a minute."""

    running: bool
    responding: bool
    state: str
    paused: str | None
    heartbeat_age_s: float | None
    pid: int | None
    watch: str | None
    problems: dict[str, str] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    arriving_count: int = 0
    waiting_count: int = 0
    jobs: list[dict[str, Any]] = field(default_factory=list)
    arriving: list[dict[str, Any]] = field(default_factory=list)
    waiting: list[dict[str, Any]] = field(default_factory=list)
    waiting_s: float | None = None
    ready_count: int = 0
    rejected_count: int = 0
    results: list[dict[str, Any]] = field(default_factory=list)
    needs_ears: list[dict[str, Any]] = field(default_factory=list)
    needs_ears_count: int = 0  # among the newest results
    refused_corrections: list[dict[str, Any]] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)


def read_status(settings: Settings) -> Status:
    """The state of the service with these settings, running or not."""
    folders = settings.folders
    running = is_locked(folders.state, folders.incoming)
    facts = read_heartbeat(folders.state) or {}
    age = max(0.0, time.time() - float(facts["heartbeat"])) if "heartbeat" in facts else None
    responding = running and age is not None and age < STALE_S
    live = facts if running else {}
    ready_count, rejected_count, results, ears = _known_results(folders)
    problems = dict(live.get("problems", {}))
    if running and "state" not in problems and (trouble := state_trouble(folders.state)):
        problems["state"] = trouble
    return Status(
        running=running,
        responding=responding,
        state=_state(running, responding, "state" in problems, facts),
        paused=live.get("paused") or ("paused by command" if is_paused(folders.state) else None),
        heartbeat_age_s=None if age is None else round(age, 1),
        pid=live.get("pid"),
        watch=live.get("watch"),
        problems=problems,
        notices=live.get("notices", []),
        arriving_count=live.get("arriving_count", 0),
        waiting_count=live.get("waiting_count", 0),
        jobs=live.get("running", []),
        arriving=live.get("arriving", []),
        waiting=live.get("waiting", []),
        waiting_s=live.get("waiting_s"),
        ready_count=ready_count,
        rejected_count=rejected_count,
        results=results,
        needs_ears=ears[:EARS_SHOWN],
        needs_ears_count=len(ears),
        refused_corrections=[
            {"folder": name, "reason": refusal.reason, "at": refusal.at}
            for name, refusal in sorted(Refusals.load(folders.state, folders.ready).current().items())
        ],
        questions=_questions(folders.state),
    )


def _state(running: bool, responding: bool, mute: bool, facts: dict[str, Any]) -> str:
    """``mute``: it cannot write its report."""
    if not running:
        return "stopped"
    if mute and not responding:
        return MUTE
    return str(facts.get("state", "starting")) if responding else "not responding"


def _questions(state: Path) -> list[str]:
    try:
        ledger = Ledger.read_only(ledger_path(state))
    except (sqlite3.Error, OSError):
        return []
    try:
        return [question_line(record) for record in ledger.questions()]
    except sqlite3.Error:
        return []
    finally:
        ledger.close()


def _known_results(folders: Folders) -> tuple[int, int, list[dict[str, Any]], list[dict[str, Any]]]:
    """By the ledger, and by the folders where it lacks something (they are the truth)."""
    roots = {"ready": folders.ready, "rejected": folders.rejected}
    ledger, counts, newest = None, Counter[str](), []
    names: dict[str, tuple[str, ...]] = {}
    with suppress(sqlite3.Error, OSError):
        ledger = Ledger.read_only(ledger_path(folders.state))
        counts.update({outcome: ledger.count(outcome) for outcome in roots})
        newest = ledger.history(limit=200)
        names = other_names(ledger)
    with suppress(sqlite3.Error, MachineError):
        lost = unrecorded(roots, ledger if counts else None)
        counts.update(record.outcome for record in lost)
        newest = sorted([*newest, *lost], key=lambda record: record.at, reverse=True)[:200]
    if ledger is not None:
        ledger.close()
    ears = [_line(record, names) for record in newest if record.summary.get("needs_ears")]
    shown = [_line(record, names) for record in newest[:RESULTS_SHOWN]]
    return counts["ready"], counts["rejected"], shown, ears


def _line(record: Record, names: Mapping[str, tuple[str, ...]]) -> dict[str, Any]:
    facts = record.summary
    return {
        "name": record.name,
        "producer": record.producer,
        "also": list(names.get(record.sha256, ())),
        "pack": facts.get("pack"),
        "question": bool(facts.get("question")),
        "outcome": record.outcome,
        "folder": record.folder,
        "at": record.at,
        "reason": record.reason,
        "tempo_bpm": facts.get("tempo_bpm"),
        "tempo_shown": facts.get("tempo_shown"),
        "tempo_note": facts.get("tempo_note"),
        "tempo_quarters": facts.get("tempo_quarters"),
        "constant_tempo": facts.get("constant_tempo"),
        "key": facts.get("key"),
        "key_shown": facts.get("key_shown"),
        "needs_ears": facts.get("needs_ears") or 0,
        "ear_topics": facts.get("ear_topics") or [],
        "ear_words": facts.get("ear_words") or [],
        "check_by_ear": facts.get("check_by_ear") or [],
        "replaces_part": bool(facts.get("replaces_part")),
    }


def print_status(settings: Settings, as_json: bool = False) -> int:
    """Print it. 0 when the service runs and answers, else 4."""
    status = read_status(settings)
    if as_json:
        print(json.dumps(asdict(status)))
    else:
        print("\n".join(map(one_line, as_lines(status, settings))))
    return OK if status.responding else MACHINE


def as_lines(status: Status, settings: Settings) -> list[str]:
    """For people: what needs an action first."""
    lines = [_headline(status)]
    lines += [f"  ? {text}" for text in status.questions]
    lines += [f"  ! {text}" for text in status.problems.values()]
    lines += [f"  put right {text}" for text in status.notices]
    for job in status.jobs:
        halted = ", halted" if job.get("suspended") else ""
        lines.append(f"  now: {job['drop']} ({job['stage']}{halted}, {ago(job['since'])}{_left(job)})")
    lines += _queue("waiting", status.waiting_count, status.waiting)
    lines += _queue("still arriving", status.arriving_count, status.arriving)
    if status.needs_ears:
        lines += ["", "check by ear:"]
        lines += [f"  {r['folder']}: {_about(r)}" for r in status.needs_ears]
        lines += _more(status.needs_ears_count, len(status.needs_ears))
        lines.append("  'beatintake status NAME' says what to hear and what to do")
    if status.refused_corrections:
        refused = [f"  {r['folder']}: {r['reason']}" for r in status.refused_corrections]
        lines += ["", "correction files that were refused:", *shortened(refused, REFUSED_SHOWN)]
    if status.results:
        lines += ["", f"last results ({status.ready_count} ready, {status.rejected_count} rejected in all):"]
        lines += [f"  {_result(r)}" for r in status.results]
        lines += _more(status.ready_count + status.rejected_count, len(status.results))
    return lines


def _more(all_of_them: int, shown: int) -> list[str]:
    return [f"  and {all_of_them - shown} more"] if all_of_them > shown else []


def _headline(status: Status) -> str:
    if status.state == "stopped":
        return "the service is not running (beatintake run, or beatintake service install)"
    if status.state == MUTE:
        return f"the service (process {status.pid}) holds its lock; it cannot write how it is"
    if status.state == "not responding":
        age = status.heartbeat_age_s
        return f"the service (process {status.pid}) holds its lock but has not answered for {age} s"
    paused = f", {status.paused}" if status.paused else ""
    return f"the service is {status.state}{paused} (process {status.pid}, watching: {status.watch})"


def _left(job: dict[str, Any]) -> str:
    seconds = job.get("seconds_left")
    return "" if seconds is None or job.get("suspended") else f", {time_left(seconds)}"


def time_left(seconds: float) -> str:
    """For people: an estimate that has run out says so."""
    if seconds < 1:
        return "any moment now"
    return f"about {seconds:.0f} s left" if seconds < 90 else f"about {seconds / 60:.0f} min left"


def _queue(word: str, count: int, entries: list[dict[str, Any]]) -> list[str]:
    if not count:
        return []
    lines = [f"  {word}: {count}"]
    for entry in entries[:QUEUE_SHOWN]:
        why = f", {entry['why']}" if entry.get("why") else ""
        lines.append(
            f"    {entry['drop']} ({entry['bytes'] / 1e6:.1f} MB, for {entry['seconds']:.0f} s{why})"
        )
    return lines + [f"  {line}" for line in _more(count, min(len(entries), QUEUE_SHOWN))]


def _result(result: dict[str, Any]) -> str:
    also = f" (also delivered as {', '.join(result['also'])})" if result["also"] else ""
    if result["question"]:
        return f"{ago(result['at'])} ago  asks      {result['name']}: stems or beats?"
    if result["outcome"] == "rejected":
        return f"{ago(result['at'])} ago  rejected  {result['name']}: {result['reason']}{also}"
    part = "replaces an incomplete copy" if result["replaces_part"] else ""
    pack = f" (pack {result['pack']})" if result["pack"] else ""
    found = ", ".join(filter(None, (tempo_words(result), key_words(result), ears_words(result), part)))
    return f"{ago(result['at'])} ago  ready     {result['folder']}{pack}: {found}{also}"


def _about(result: dict[str, Any]) -> str:
    """'tempo, first bar, noise'; of an older row, how many."""
    return ", ".join(result["ear_words"] or result["ear_topics"]) or str(result["needs_ears"])


def ago(at: float) -> str:
    """How long it is since then, in the largest unit."""
    seconds = max(0.0, time.time() - at)
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
