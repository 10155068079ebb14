"""Jobs that stand in for the analysis: quick ones, and ones that go wrong on purpose.

What a job does is written in the drop itself: a file may begin with a line such as ``!sleep 2`` or ``!die``.
The stand-in publishes a copy of the drop and a report that names its hash, as the real job does.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from daemon.core.errors import DiskFull, DropError, UnreadableAudio
from daemon.core.names import safe_stem
from daemon.decode.identity import identify
from daemon.pipeline.job import JobRequest, JobResult

INLINE = False  # in the test's own process: deaths become an exception


class Death(Exception):
    """The worker would have died here."""


def warm() -> None:
    """Nothing to warm."""


def board(ready: Path, state: Path) -> None:
    """The names of the ready folders, as a stand-in for the page."""
    names = sorted(path.name for path in ready.iterdir() if path.is_dir() and path.name[0] != ".")
    (state / "board.txt").write_text("\n".join(names))


def obedient(request: JobRequest, on_stage: Callable[[str], None]) -> JobResult:
    """Read the drop, do what its first line says, stage copy and report."""
    on_stage("decode")
    sha256 = identify(request.drop, request.settings.arrival.ignore)
    stem = safe_stem(request.drop.stem)
    if request.drop.is_dir():
        data = b"".join(path.read_bytes() for path in sorted(request.drop.iterdir()))
    else:
        data = request.drop.read_bytes()
    order, _, value = data.split(b"\n", 1)[0].decode("utf-8", "replace").partition(" ")
    on_stage("analyse")
    if INLINE and order in ("!die", "!segfault", "!hang", "!spin", "!eat"):
        raise Death(f"the worker process was ended ({order})")
    _obey(order, value, request)
    (request.staging / f"{stem}.wav").write_bytes(data)
    report = {"drop": {"name": request.drop.name, "producer": request.producer, "sha256": sha256}}
    on_stage("render")
    if order == "!sleep-late":
        time.sleep(float(value))
    (request.staging / f"{stem}.report.json").write_text(json.dumps(report))
    return JobResult(
        "ready", stem, sha256, summary={"tempo_bpm": 140.0, "key": "E flat minor", "needs_ears": 0}
    )


def _obey(order: str, value: str, request: JobRequest) -> None:
    match order:
        case "!sleep":
            time.sleep(float(value))
        case "!wait":  # for a file that the test makes
            while not Path(value).exists():
                time.sleep(0.02)
        case "!die":
            os.kill(os.getpid(), signal.SIGKILL)
        case "!segfault":
            os.kill(os.getpid(), signal.SIGSEGV)
        case "!hang":
            time.sleep(3600)
        case "!spin":
            while True:
                pass
        case "!eat":
            blocks = [bytearray(64 << 20) for _ in range(1000)]
            raise AssertionError(len(blocks))
        case "!bug":
            raise ZeroDivisionError("a bug on purpose")
        case "!damaged":
            raise UnreadableAudio(request.drop.name, "it is damaged", "export it again")
        case "!full":
            raise DiskFull(str(request.staging), "no space left", "free some space")


def decode_only(request: JobRequest, on_stage: Callable[[str], None]) -> JobResult:
    """The real decoding and its real refusals, without the analysis."""
    from daemon.decode.decoder import decode
    from daemon.decode.spool import Scratch

    stem = safe_stem(request.drop.stem)
    try:
        with Scratch(request.staging / ".work") as scratch:
            source = decode(request.drop, limits=request.settings.limits, scratch=scratch).source
    except DropError as error:
        return JobResult("rejected", stem, None, str(error))
    report = {"drop": {"name": source.name, "producer": None, "sha256": source.sha256}}
    (request.staging / f"{stem}.report.json").write_text(json.dumps(report))
    return JobResult("ready", stem, source.sha256)
