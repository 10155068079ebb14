"""What a producer's drop that cannot be used leaves behind: a folder with the reason, never the file
itself.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from daemon.core.names import safe_stem
from daemon.core.text import lines, one_line
from daemon.ledger.ledger import Record

REASON_FILE = "reason.txt"
RECORD_FILE = "rejected.json"


def stage_rejection(staged: Path, record: Record, heading: str) -> str:
    """Write the private folder. Returns the name that it should get in rejected/."""
    staged.mkdir(parents=True)
    where = record.summary.get("path", record.name)
    text = lines(
        f"{record.name}: {heading}.\n\n{record.reason}\n\n"
        f"The original is untouched: incoming/{one_line(where)}\n"
        "After a correction of the settings: beatintake retry\n"
    )
    facts = {
        "schema_version": "1.0",
        "drop": {"name": record.name, "producer": record.producer, "sha256": record.sha256},
        "reason": record.reason,
        "path": where,
        "at": record.at,
    }
    (staged / REASON_FILE).write_text(text, encoding="utf-8")
    (staged / RECORD_FILE).write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    return safe_stem(os.path.splitext(record.name)[0])
