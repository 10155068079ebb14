"""`status NAME`: where one beat stands, asked for by any name that it has or was delivered under.

It is looked for in what is published, rejected, asked about or split, and in what lies in the incoming folder
and is not done yet.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePath
from typing import Any, Literal

from config.settings import Folders, Settings
from daemon.core.errors import MachineError, WrongRequest
from daemon.core.exitcodes import OK
from daemon.core.lookup import LISTED, fitting
from daemon.core.names import folded, key_words, tempo_words
from daemon.core.text import enumerated, one_line, valid
from daemon.corrections.refusals import Refusals
from daemon.corrections.store import stored_correction
from daemon.ledger.ledger import PACK, Ledger, Record, ledger_path
from daemon.ledger.othernames import other_names
from daemon.ledger.rejection import question_line
from daemon.ledger.visible import unrecorded
from daemon.ops.status import ago, time_left
from daemon.service.heartbeat import read_heartbeat
from daemon.service.order import not_done
from daemon.service.presence import is_locked

State = Literal["ready", "rejected", "asked", "split", "working", "waiting", "arriving"]
BEATS_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Standing:
    """`label`: says which one is meant where several are called alike."""

    label: str
    state: State
    name: str
    detail: str = ""  # a reason, a question, what it waits for
    folder: str | None = None  # full path, once there is one
    found: str | None = None
    at: float | None = None  # seconds since the epoch
    pack: str | None = None
    beats: list[str] = field(default_factory=list)  # of a pack: where each stands
    check_by_ear: list[str] = field(default_factory=list)
    more_by_ear: int = 0  # further sentences, which the report has
    correction: dict[str, Any] = field(default_factory=dict)  # in force
    refused_correction: str | None = None
    also: list[str] = field(default_factory=list)  # other names of the same bytes
    newer: list[str] = field(default_factory=list)  # other content at its place that is not done yet


@dataclass(slots=True)
class _Known:
    """All that has a name, by label."""

    records: dict[str, Record] = field(default_factory=dict)
    left: dict[str, str] = field(default_factory=dict)  # keys of drops that are not done
    names: dict[str, set[str]] = field(default_factory=dict)
    places: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))  # by content
    also: dict[str, tuple[str, ...]] = field(default_factory=dict)  # by content


def print_standing(settings: Settings, name: str, as_json: bool = False) -> int:
    """The command. Raises WrongRequest: nothing is called so, or several are."""
    standing = read_standing(settings, name)
    print(json.dumps(asdict(standing)) if as_json else "\n".join(map(one_line, as_lines(standing))))
    return OK


def read_standing(settings: Settings, name: str) -> Standing:
    """Where the only beat that `name` can mean stands. Raises WrongRequest."""
    known = _known(settings)
    label = _meant(name, known)
    live = _live(settings.folders)
    if record := known.records.get(label):
        return _of_record(label, record, known, settings.folders, live)
    return _of_drop(label, known.left[label], live)


def _meant(name: str, known: _Known) -> str:
    found = fitting(name, known.names) or fitting(PurePath(name).name or name, known.names)
    if len(found) > 1:  # a folder's own name goes before names of files
        own = [label for label in found if folded(PurePath(label).name) == folded(PurePath(name).name)]
        found = own if len(own) == 1 else found
    if not found:
        step = "look at the board, or at 'beatintake status'"
        raise WrongRequest(one_line(name), "no beat is called so", step)
    if len(found) > 1:
        listed = enumerated([one_line(label) for label in found], LISTED)
        raise WrongRequest(one_line(name), f"several fit: {listed}", "name one of them")
    return found[0]


def _known(settings: Settings) -> _Known:
    known, folders = _Known(), settings.folders
    roots = {"ready": folders.ready, "rejected": folders.rejected}
    ledger = None
    with suppress(sqlite3.Error, OSError):
        ledger = Ledger.read_only(ledger_path(folders.state))
        known.also = other_names(ledger)
        for path, _, sha256 in ledger.drops():
            if sha256:
                known.places[sha256].add(path)
        for record in [*ledger.history(limit=1_000_000), *ledger.history(limit=1_000_000, outcome=PACK)]:
            _add(known, record)
    with suppress(sqlite3.Error, MachineError):
        for record in unrecorded(roots, ledger if known.records else None):
            _add(known, record)
    if ledger is not None:
        ledger.close()
    with suppress(MachineError):  # the incoming folder is away: what is done is known all the same
        for key in not_done(settings):
            label = f"incoming/{key}"
            known.left[label] = key
            known.names[label] = {label, key} | _both(key)
    return known


def _add(known: _Known, record: Record) -> None:
    place = record.folder or str(record.summary.get("path", record.name))
    label = f"{'incoming' if record.outcome == PACK else record.outcome}/{place}"
    known.records[label] = record
    names = {record.folder or record.name} | _both(record.name)
    for path in known.places[record.sha256]:
        names |= {path} | _both(path)
    known.names[label] = names


def _both(path: str) -> set[str]:
    """A file's name with and without ending."""
    return {PurePath(path).name, PurePath(path).stem}


def _live(folders: Folders) -> dict[str, Any]:
    """What the running service says about itself; nothing when it does not run."""
    if not is_locked(folders.state, folders.incoming):
        return {}
    return read_heartbeat(folders.state) or {"state": "starting"}


def _of_record(label: str, record: Record, known: _Known, folders: Folders, live: dict[str, Any]) -> Standing:
    facts, state = record.summary, _state(record)
    places = known.places[record.sha256]
    newer = [_of_drop(other, key, live) for other, key in known.left.items() if key in places]
    root = folders.ready if record.outcome == "ready" else folders.rejected
    ready = state == "ready"
    return Standing(
        label,
        state,
        record.name,
        detail=(question_line(record) if state == "asked" else record.reason) or "",
        folder=str(root / record.folder) if record.folder else None,
        found=f"{tempo_words(facts)}, {key_words(facts)}" if ready else None,
        at=record.at,
        pack=facts.get("pack"),
        beats=list(_beats(record, known)),
        check_by_ear=(ears := list(facts.get("check_by_ear") or [])),
        more_by_ear=max(0, (facts.get("needs_ears") or 0) - len(ears)),
        correction=_correction(folders.state, record.sha256) if ready else {},
        refused_correction=_refused(folders, record.folder) if ready else None,
        also=list(known.also.get(record.sha256, ())),
        newer=[_headline(standing) for standing in newer],
    )


def _state(record: Record) -> State:
    if record.outcome == PACK:
        return "split"
    if record.outcome == "ready":
        return "ready"
    return "asked" if record.summary.get("question") else "rejected"


def _beats(pack: Record, known: _Known) -> Iterator[str]:
    """Where each beat of a pack stands."""
    if pack.outcome != PACK:
        return
    done = {path: label for label, record in known.records.items() for path in known.places[record.sha256]}
    for place in sorted(known.places[pack.sha256]):
        for name in pack.summary.get("mixes", ()):
            yield f"{name}: {done.get(f'{place}/{name}', 'not done yet')}"


def _correction(state: Path, sha256: str) -> dict[str, Any]:
    """What was set by hand and is in force."""
    with suppress(MachineError):
        if correction := stored_correction(state, sha256):
            return {name: value for name, value in correction.model_dump().items() if value is not None}
    return {}


def _refused(folders: Folders, folder: str) -> str | None:
    refusal = Refusals.load(folders.state, folders.ready).current().get(folder)
    return refusal.reason if refusal else None


def _of_drop(label: str, key: str, live: dict[str, Any]) -> Standing:
    """A drop that is not done: what the running service says about it."""
    name = one_line(PurePath(key).name)
    if not live:
        return Standing(label, "waiting", name, "the service is not running")
    for job in live.get("running", ()):
        if job.get("drop") == valid(key):
            halted = ", halted" if job.get("suspended") else ""
            left = "" if halted or job.get("seconds_left") is None else f", {time_left(job['seconds_left'])}"
            return Standing(label, "working", name, f"{job.get('stage')}{halted}{left}")
    for state in ("waiting", "arriving"):
        for number, entry in enumerate(live.get(state, ()), 1):
            if entry.get("drop") == valid(key):
                ahead = f"{number} of {live.get('waiting_count')}" if state == "waiting" else ""
                return Standing(label, state, name, entry.get("why") or ahead)
    return Standing(label, "waiting", name, live.get("paused") or "")


def as_lines(standing: Standing) -> list[str]:
    """For people."""
    rows = [_headline(standing)]
    rows += [f"  folder: {standing.folder}"] if standing.folder else []
    rows += [f"  found: {standing.found}"] if standing.found else []
    rows += [f"  check by ear: {text}" for text in standing.check_by_ear]
    rows += [f"  check by ear: {standing.more_by_ear} more on its page"] if standing.more_by_ear else []
    if standing.correction:
        words = ", ".join(f"{name} {value}" for name, value in _words(standing.correction))
        rows.append(f"  corrected: {words} (beatintake undo takes the last one back)")
    if standing.refused_correction:
        rows.append(f"  correction file refused: {standing.refused_correction}")
    rows += [f"  of the pack {standing.pack}"] if standing.pack else []
    rows += [f"  also delivered as {', '.join(standing.also)}"] if standing.also else []
    rows += [f"  newer: {text}" for text in standing.newer]
    rows += [f"  {text}" for text in standing.beats[:BEATS_SHOWN]]
    more = len(standing.beats) - BEATS_SHOWN
    return rows + ([f"  and {more} more"] if more > 0 else [])


def _headline(standing: Standing) -> str:
    since = f" {ago(standing.at)} ago" if standing.at else ""
    text = {
        "ready": f"ready{since}",
        "rejected": f"rejected{since}",
        "asked": f"asked{since}",
        "split": f"several beats, each taken on its own{since}",
    }.get(standing.state, standing.state)
    detail = f": {standing.detail}" if standing.detail else ""
    return f"{standing.name}: {text}{detail}"


def _words(correction: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """As a correction file says it."""
    units = {
        "tempo_bpm": ("tempo", "g", " BPM"),
        "bar_one_s": ("bar one", ".3f", " s into the producer's file"),
        "tuning_cents": ("tuning", "+g", " cents"),
    }
    later = "".join(f", then {key} at {at_s:.2f} s" for at_s, key in correction.get("key_changes", ()))
    for name, value in correction.items():
        word, form, unit = units.get(name, (name, "", ""))
        if name not in ("key_changes", "bar_one_exact"):
            yield word, f"{value:{form}}{unit}{later if name == 'key' else ''}"
