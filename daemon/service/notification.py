"""Tell somebody about a result: run the configured command, without a shell, without waiting for it."""

from __future__ import annotations

import logging
import threading

from config.settings import Notify
from daemon.core.logs import note
from daemon.ledger.ledger import Record
from daemon.service.notification_command import run_hook

log = logging.getLogger("beatintake.tell")
FACTS = ("outcome", "name", "producer", "folder", "reason", "sha256")
_slots = threading.BoundedSemaphore(4)  # a command that hangs must not pile up


def sentence(record: Record) -> str:
    """One line for a notification."""
    if record.outcome == "rejected":
        return f"{record.name}: not usable. {record.reason}"
    facts = record.summary
    tempo = f"{facts['tempo_bpm']:g} BPM" if facts.get("tempo_bpm") else "no tempo"
    ears = facts.get("needs_ears")
    check = f", check {ears} by ear" if ears else ""
    return f"{record.name}: {tempo}, {facts.get('key') or 'no key'}{check}"


def tell(settings: Notify, record: Record) -> None:
    """Run ``settings.command`` in the background (see ``daemon.service.notification_command``)."""
    if not settings.command or not _slots.acquire(blocking=False):
        return
    threading.Thread(target=_run, args=(settings, record), daemon=True).start()


def _run(settings: Notify, record: Record) -> None:
    facts = {**record.summary, **{name: getattr(record, name) for name in FACTS}}
    try:
        trouble = run_hook(settings.command, settings.timeout_seconds, sentence(record), facts)
        if trouble:
            note(log, logging.WARNING, "the notification command failed", error=trouble)
    finally:
        _slots.release()
