"""The notification command: run for each finished or rejected drop, without a shell, within a time limit.

The configured list is run as it stands with one sentence as the last argument. The facts come as
JSON on standard input and as BEATINTAKE_* environment variables. File names are hostile input:
nothing is ever pasted into a command line, and the sentence never starts with a dash.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from typing import Any

LONGEST = 4096
VARIABLES = ("outcome", "name", "producer", "folder", "reason", "tempo_bpm", "key", "needs_ears")


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
                [*command, one_line(sentence)],
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
    return {f"BEATINTAKE_{name.upper()}": one_line(_text(facts.get(name))) for name in VARIABLES}


def one_line(text: str) -> str:
    """Without control characters, capped, and not to be taken for an option."""
    plain = "".join(c if c.isprintable() else " " for c in text)[:LONGEST]
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
