"""Requests of the command line to the running service, as files in the state folder.

Files survive a restart of either side and need no port: ``paused`` is there while the service shall start
no new work; each file in ``wishes/`` (its name on disk) asks for one thing and is removed when it is done.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Sequence
from pathlib import Path, PurePath

from config.settings import Settings
from daemon.core.atomic import atomic_write
from daemon.core.errors import WrongRequest
from daemon.core.lookup import fitting
from daemon.core.text import enumerated, one_line
from daemon.decode.several import Answer
from daemon.ledger.ledger import PACK, Ledger, Record, ledger_path
from daemon.pipeline.answers import store_answer
from daemon.service.presence import is_locked, is_paused, pause_path
from daemon.service.quiet_hours import is_quiet

PAUSED = "paused by command"


def why_paused(settings: Settings) -> str | None:
    """Why no new work starts now; None when it may."""
    if is_paused(settings.folders.state):
        return PAUSED
    clock = time.localtime()
    if is_quiet(clock.tm_hour * 60 + clock.tm_min, settings.work.quiet_hours):
        return "quiet hours"
    return None


def pause_service(settings: Settings) -> int:
    """No new work starts; what runs is halted where it is until ``resume``."""
    settings.folders.state.mkdir(parents=True, exist_ok=True)
    atomic_write(pause_path(settings.folders.state), b"")
    print(f"paused: nothing is analysed until 'beatintake resume'{whether_running(settings)}")
    return 0


def resume_service(settings: Settings) -> int:
    pause_path(settings.folders.state).unlink(missing_ok=True)
    print(f"resumed{whether_running(settings)}")
    return 0


def whether_running(settings: Settings) -> str:
    """What to add to "done" when it is done only later."""
    running = is_locked(settings.folders.state, settings.folders.incoming)
    return "" if running else " (the service is not running now; it will be so when it starts)"


def retry_rejected(settings: Settings, names: Sequence[str]) -> int:
    """Ask the service to take rejected drops again: all, or those whose folder or file name begins with a
    name.
    """
    state = settings.folders.state
    if not ledger_path(state).exists():
        print("nothing has been rejected so far")
        return 0
    ledger = Ledger.read_only(ledger_path(state))
    rejected = ledger.history(limit=1_000_000, outcome="rejected")
    ledger.close()
    called = {record.folder: {record.name, PurePath(record.name).stem} for record in rejected}
    meant = {name: fitting(PurePath(name).name or name, called) for name in names}
    unknown = [name for name in names if not meant[name]]
    if unknown:
        listed = enumerated(sorted(called), 10) or "none"
        cause = "no rejected drop is called so"
        raise WrongRequest(one_line(", ".join(unknown)), cause, f"rejected are: {listed}")
    wanted = {folder for found in meant.values() for folder in found}
    chosen = [record for record in rejected if not names or record.folder in wanted]
    request = {"retry": [record.sha256 for record in chosen]}
    ask(state, request)
    for record in chosen:
        print(one_line(f"will be tried again: {record.name}"))
    if not chosen:
        print("nothing is rejected")
    elif whether_running(settings):
        print("the service is not running; it is done when it starts")
    return 0


def answer_question(settings: Settings, name: str, answer: Answer) -> int:
    """Keep what a person says about a folder or zip, and ask the service to act on it.

    `name` is that of the delivery or of its folder in rejected/, or the start of it. Raises WrongRequest.
    """
    state, ledger_file = settings.folders.state, ledger_path(settings.folders.state)
    asked = _askable(ledger_file) if ledger_file.exists() else {}
    called = {sha256: {r.name, PurePath(r.name).stem, r.folder} - {""} for sha256, r in asked.items()}
    meant = fitting(PurePath(name).name or name, called)
    listed = enumerated(sorted({asked[sha256].name for sha256 in meant or asked}), 10) or "none"
    if not meant:
        raise WrongRequest(
            one_line(name), "no folder or zip is asked about by that name", f"there are: {listed}"
        )
    if len(meant) > 1:
        raise WrongRequest(one_line(name), f"several are called so: {listed}", "give more of the name")
    record = asked[meant[0]]
    store_answer(state, record.sha256, record.name, answer)
    ask(state, {"answered": [record.sha256]})
    what = "the stems of one beat" if answer == "stems" else "separate beats"
    print(one_line(f"{record.name}: taken as {what}{whether_running(settings)}"))
    return 0


def _askable(ledger_file: Path) -> dict[str, Record]:
    """What may be answered, by content: open questions, packs, and sums (the answer may be changed)."""
    ledger = Ledger.read_only(ledger_file)
    try:
        found = [*ledger.questions(), *ledger.history(limit=1_000_000, outcome=PACK)]
        found += [r for r in ledger.history(limit=1_000_000, outcome="ready") if r.summary.get("stems")]
    finally:
        ledger.close()
    return {record.sha256: record for record in found}


def ask(state: Path, request: dict[str, list[str]]) -> None:
    """Leave a request for the service."""
    folder = state / "wishes"
    folder.mkdir(parents=True, exist_ok=True)
    atomic_write(folder / f"{secrets.token_hex(4)}.json", json.dumps(request).encode())


def pending_requests(state: Path) -> list[tuple[Path, dict[str, list[str]]]]:
    """The requests that wait, with the files to remove once they are granted. Unreadable ones are dropped."""
    found = []
    for path in sorted((state / "wishes").glob("*.json")):
        try:
            request = json.loads(path.read_bytes())
        except (OSError, ValueError):
            request = None
        if isinstance(request, dict):
            found.append((path, request))
        else:
            path.unlink(missing_ok=True)
    return found
