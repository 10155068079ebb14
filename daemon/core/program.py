"""How a command is written for somebody to run, who may be in any folder."""

from __future__ import annotations

import shlex
from pathlib import Path

PROGRAM = "beatintake"


def program_with(settings_file: str | Path | None) -> str:
    """How it is called: with the settings file, unless that is found without being named (None)."""
    return f"{PROGRAM} --config {shlex.quote(str(settings_file))}" if settings_file else PROGRAM
