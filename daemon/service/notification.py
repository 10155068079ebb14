"""Notification: the configured command, run for each finished or rejected drop within a time limit.

The configured list is run as it stands, without a shell, with one sentence as the last argument. The facts
come as JSON on standard input and as BEATINTAKE_* environment variables. Of a ready beat BEATINTAKE_LINE is
the first line of its card, BEATINTAKE_CARD the card's path, and `card_text` in the JSON all of it. File names
are hostile input: nothing is ever pasted into a command line, and the sentence never starts with a dash.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import tempfile
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from config.settings import Notify
from daemon.core.logs import note
from daemon.core.names import ears_words, key_words, tempo_words
from daemon.core.regular import read_regular
from daemon.core.text import one_line
from daemon.ledger.ledger import Record

log = logging.getLogger("beatintake.notification")
FACTS = ("outcome", "name", "producer", "folder", "reason", "sha256")
_slots = threading.BoundedSemaphore(4)  # a command that hangs must not pile up
LONGEST = 4096
VARIABLES = (
    "outcome",
    "name",
    "producer",
    "folder",
    "reason",
    "tempo_bpm",
    "key",
    "needs_ears",
    "line",
    "card",
)
MOST_CARD_BYTES = 64 * 1024


def sentence(record: Record) -> str:
    """One line for a notification."""
    if record.outcome == "rejected":
        return f"{record.name}: not usable. {record.reason}"
    facts = record.summary
    if facts.get("line"):
        return str(facts["line"])
    found = filter(None, (tempo_words(facts), key_words(facts), ears_words(facts)))
    return f"{record.name}: {', '.join(found)}"


def notify_about(settings: Notify, record: Record, ready: Path | None = None) -> None:
    """Run ``settings.command`` in the background; nobody waits for it. `ready`: the folder of ready beats."""
    if not settings.command or not _slots.acquire(blocking=False):
        return
    threading.Thread(target=_run, args=(settings, record, ready), daemon=True).start()


def _run(settings: Notify, record: Record, ready: Path | None) -> None:
    try:
        facts = {**record.summary, **{name: getattr(record, name) for name in FACTS}, **_card(record, ready)}
        trouble = run_hook(settings.command, settings.timeout_seconds, sentence(record), facts)
        if trouble:
            note(log, logging.WARNING, "the notification command failed", error=trouble)
    finally:
        _slots.release()


def _card(record: Record, ready: Path | None) -> dict[str, str]:
    """Path and text of the drop's card; nothing where there is none."""
    name = (record.summary.get("files") or {}).get("card")
    if ready is None or record.outcome != "ready" or not name:
        return {}
    path = ready / record.folder / name
    try:
        text = read_regular(path, MOST_CARD_BYTES).decode(errors="replace")
        return {"card": str(path), "card_text": text}
    except OSError:
        return {}


def run_hook(command: Sequence[str], timeout_s: float, sentence: str, facts: Mapping[str, Any]) -> str | None:
    """Run it to its end. Returns None, or why it failed.

    Parameters
    ----------
    command : program and arguments; empty: nothing is done
    timeout_s : after so long the program and its children are killed
    sentence : what a person reads
    facts : plain values; those named in `VARIABLES` also become environment variables
    """
    if not command:
        return None
    with tempfile.TemporaryFile() as given, tempfile.TemporaryFile() as said:  # no pipe, so nothing can block
        given.write(json.dumps(dict(facts)).encode())
        given.seek(0)
        try:
            process = subprocess.Popen(
                [*command, argument(sentence)],
                stdin=given,
                stdout=subprocess.DEVNULL,
                stderr=said,
                env={**os.environ, **variables(facts)},
                start_new_session=os.name != "nt",
            )
            code = process.wait(timeout_s)
        except (OSError, ValueError) as error:
            return f"{command[0]} cannot be run: {error}"
        except subprocess.TimeoutExpired:
            _kill(process)
            return f"{command[0]} did not end within {timeout_s:g} s and was stopped"
        said.seek(0)
        last = said.read(LONGEST).decode(errors="replace").strip().splitlines()[-1:]
    if code:
        return f"{command[0]} ended with code {code}" + (f": {last[0][:200]}" if last else "")
    return None


def variables(facts: Mapping[str, Any]) -> dict[str, str]:
    """BEATINTAKE_NAME and so on; empty where a fact is unknown."""
    return {f"BEATINTAKE_{name.upper()}": argument(_text(facts.get(name))) for name in VARIABLES}


def argument(text: str) -> str:
    """One line, capped, and not to be taken for an option."""
    plain = one_line(text)[:LONGEST]
    return f" {plain}" if plain.startswith("-") else plain


def _text(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.4f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def _kill(process: subprocess.Popen[bytes]) -> None:
    try:
        if os.name == "nt":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        pass
    process.wait()
