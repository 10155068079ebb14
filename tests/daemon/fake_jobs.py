"""Jobs that stand in for the analysis: quick ones, and ones that go wrong on purpose.

What a job does is written in the drop itself: a file may begin with a line such as ``!sleep 2`` or ``!die``.
The stand-in publishes a copy of the drop and a report that names its hash, as the real job does.
"""

from __future__ import annotations

import json
import os
import signal
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

from config.settings import Settings
from daemon.core.errors import DiskFull, DropError, UnreadableAudio
from daemon.core.names import safe_stem
from daemon.decode.identity import identify
from daemon.decode.inside import identify_inner
from daemon.pipeline.job import JobRequest, JobResult

INLINE = False  # in the test's own process: deaths become an exception


class Death(Exception):
    """The worker would have died here."""


def warm() -> None:
    """Nothing to warm."""


def board(settings: Settings) -> None:
    """The names of the ready folders, as a stand-in for the page."""
    ready = settings.folders.ready
    names = sorted(path.name for path in ready.iterdir() if path.is_dir() and path.name[0] != ".")
    (settings.folders.state / "board.txt").write_text("\n".join(names))


def obedient(request: JobRequest, on_stage: Callable[[str], None]) -> JobResult:
    """Read the drop, do what its first line says, stage copy and report."""
    on_stage("decode")
    ignore = request.settings.arrival.ignore
    if request.inner is not None:
        sha256 = identify_inner(request.drop, request.inner, request.settings.limits, ignore).sha256
    else:
        sha256 = identify(request.drop, ignore)
    name = Path(request.inner or request.drop).name
    stem = safe_stem(Path(name).stem)
    if request.drop.suffix == ".zip" and not zipfile.is_zipfile(request.drop):
        raise UnreadableAudio(name, "the zip has no end: it was cut off", "ask the producer to send it again")
    contents = _contents(request)
    if len(contents) > 1 and (several := _several(request, contents, sha256)):
        return several
    if request.inner is not None:
        data = contents[request.inner]
    elif request.drop.is_dir():
        data = b"".join(path.read_bytes() for path in sorted(request.drop.iterdir()))
    else:
        data = request.drop.read_bytes()
    order, _, value = data.split(b"\n", 1)[0].decode("utf-8", "replace").partition(" ")
    on_stage("analyse")
    if INLINE and order in ("!die", "!segfault", "!hang", "!spin", "!eat"):
        raise Death(f"the worker process was ended ({order})")
    _obey(order, value, request)
    (request.staging / f"{stem}.wav").write_bytes(data)
    facts = {"pack": request.pack, "other_mixes": request.other_mixes}
    report = {"drop": {"name": name, "producer": request.producer, "sha256": sha256, **facts}}
    on_stage("render")
    if order == "!sleep-late":
        time.sleep(float(value))
    (request.staging / f"{stem}.report.json").write_text(json.dumps(report))
    return JobResult(
        "ready", stem, sha256, summary={"tempo_bpm": 140.0, "key": "E flat minor", "needs_ears": 0}
    )


def _contents(request: JobRequest) -> dict[str, bytes]:
    """The files of a folder or zip."""
    if request.drop.is_dir():
        files = [path for path in sorted(request.drop.rglob("*")) if path.is_file()]
        return {path.relative_to(request.drop).as_posix(): path.read_bytes() for path in files}
    if zipfile.is_zipfile(request.drop):
        with zipfile.ZipFile(request.drop) as archive:
            return {name: archive.read(name) for name in archive.namelist()}
    return {}


def _several(request: JobRequest, contents: dict[str, bytes], sha256: str) -> JobResult | None:
    """``!beats`` in the first file of a folder or zip: a pack (``!beats-under N``: while a file has fewer
    bytes); ``!ask``: a question, until it is answered.
    """
    order, _, value = next(iter(contents.values())).split(b"\n")[0].decode("utf-8", "replace").partition(" ")
    if order == "!beats-under" and min(map(len, contents.values())) < int(value):
        order = "!beats"
    if request.inner is not None or request.several == "stems":
        return None
    mixes = {name: [] for name in contents if name.endswith(".wav")}
    stem = safe_stem(request.drop.stem)
    if order == "!beats" or (order == "!ask" and request.several == "beats"):
        return JobResult("pack", stem, sha256, "several beats", {"mixes": mixes})
    if order == "!ask":
        return JobResult("question", stem, sha256, "stems or beats", {"mixes": mixes})
    return None


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
