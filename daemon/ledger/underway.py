"""What is being worked on, beside the ledger: a small file for each content, gone when the work has ended.

It is written before a try (whoever finds it at the next start knows that the try was interrupted) and again
before the rename that makes a result visible, with what is then to be recorded. It must outlive the death of
the process at any moment, and costs no fsync: after a power cut, which may take it, the folders say what is
done (`daemon.ledger.visible`), and the try goes uncounted.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from daemon.core.atomic import atomic_write, machine_error
from daemon.ledger.rows import Intent, Record, as_dict

UNDERWAY = "underway"


class Underway:
    """Raises MachineError where nothing can be written."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def write(self, sha256: str, intent: Intent | None = None) -> None:
        """Begun; with ``intent`` about to become visible."""
        facts: dict[str, object] = {"sha256": sha256}
        if intent is not None:
            path = os.fsencode(intent.path).hex()
            digest = intent.stat_digest.hex()
            facts |= {
                "staged": intent.staged,
                "record": as_dict(intent.record),
                "path": path,
                "digest": digest,
            }
        try:
            self.folder.mkdir(exist_ok=True)
            atomic_write(self._place(sha256), json.dumps(facts).encode(), durable=False)
        except OSError as error:
            raise machine_error(error, self.folder) from error

    def remove(self, sha256: str) -> None:
        """Ended. What cannot be removed counts as interrupted at the next start."""
        with suppress(OSError):
            self._place(sha256).unlink(missing_ok=True)

    def intent(self, sha256: str) -> Intent | None:
        """What was about to become visible of this content."""
        return _read(self._place(sha256))[1]

    def all(self) -> Iterator[tuple[str, Intent | None]]:
        """Contents that are or were worked on."""
        for path in sorted(self.folder.glob("*.json")):
            sha256, intent = _read(path)
            if sha256:
                yield sha256, intent
            else:
                path.unlink(missing_ok=True)  # cut by a power cut

    def _place(self, sha256: str) -> Path:
        """What is not hashed yet is worked on under another name, which need not be one for a file."""
        return self.folder / f"{hashlib.sha256(sha256.encode()).hexdigest()[:32]}.json"


def _read(path: Path) -> tuple[str | None, Intent | None]:
    try:
        facts = json.loads(path.read_bytes())
        sha256 = str(facts["sha256"])
        if "staged" not in facts:
            return sha256, None
        delivery = os.fsdecode(bytes.fromhex(facts["path"])), bytes.fromhex(facts["digest"])
        return sha256, Intent(facts["staged"], Record(**facts["record"]), *delivery)
    except (OSError, ValueError, KeyError, TypeError):
        return None, None
