"""Is everything in order for months of unattended work? Each check says what is wrong and what to do about
it.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from config.settings import Settings
from daemon.core import exitcodes
from daemon.core.atomic import TEMP_PREFIX, atomic_write
from daemon.core.errors import BeatintakeError
from daemon.core.oserrors import plainly
from daemon.core.text import count, one_line
from daemon.ingest.scan import look
from daemon.ingest.watch import NETWORK_TYPES, Inbox, Watch, file_system_type, watch_limit
from daemon.ledger.ledger import Ledger, ledger_path
from daemon.ops.status import read_status
from daemon.ops.units import LOCK_LINE, network_remark, unit_path
from daemon.service.entry import WARM_UP, worker_setup
from daemon.service.presence import is_locked
from daemon.workers.pool import Done, Task, WorkerPool
from daemon.workers.process import end_helper

OK, WARNING, WRONG = "ok", "look", "WRONG"
FORMATS = ("WAV", "AIFF", "FLAC", "OGG", "MP3")
PACKAGES = ("daemon", "analyzers", "config", "demo")


@dataclass(frozen=True, slots=True)
class Finding:
    level: str
    subject: str
    text: str
    advice: str = ""


Check = Callable[[Settings], Iterator[Finding]]


def examine(settings: Settings) -> int:
    """Run all checks and print them. 0 when nothing is wrong, else 4."""
    wrong = 0
    for check in CHECKS:
        for finding in _findings(check, settings):
            wrong += finding.level == WRONG
            advice = f" -> {finding.advice}" if finding.advice else ""
            print(one_line(f"{finding.level:>5}  {finding.subject}: {finding.text}{advice}"), flush=True)
    print("all in order" if not wrong else count(wrong, "thing is wrong", "things are wrong"))
    return exitcodes.MACHINE if wrong else exitcodes.OK


def _findings(check: Check, settings: Settings) -> Iterator[Finding]:
    """What a check finds, and what stopped it: what it had found before still counts."""
    subject = check.__name__.replace("_", " ")
    try:
        yield from check(settings)
    except BeatintakeError as error:
        yield Finding(WRONG, subject, str(error))
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        yield Finding(WRONG, subject, f"{where}{plainly(error)}", "put that right, then look again")
    except sqlite3.Error as error:
        advice = "restart the service: a damaged ledger is made again from the results"
        yield Finding(WRONG, subject, f"the ledger cannot be read ({error})", advice)


def installation(settings: Settings) -> Iterator[Finding]:
    """Other distributions use the same top-level names: are these ours?"""
    homes = {}
    for name in PACKAGES:
        spec = importlib.util.find_spec(name)
        homes[name] = Path(spec.origin).parents[1] if spec and spec.origin else None
    if len(set(homes.values())) == 1 and None not in homes.values():
        yield Finding(OK, "installation", f"all packages come from {homes['daemon']}")
    else:
        advice = "install beatintake into a virtual environment of its own"
        yield Finding(WRONG, "installation", f"packages come from different places: {homes}", advice)


def extras(settings: Settings) -> Iterator[Finding]:
    """What the settings ask for that comes with an optional extra."""
    if "aaf" in settings.output.session_files and importlib.util.find_spec("aaf2") is None:
        asked = "output.session_files asks for aaf, which needs a further package"
        yield Finding(WRONG, "session files", asked, "pip install 'beatintake[aaf]', or take aaf out")


def folders(settings: Settings) -> Iterator[Finding]:
    for name in ("incoming", "ready", "rejected", "state"):
        folder: Path = getattr(settings.folders, name)
        if folder.exists() and not folder.is_dir():
            yield Finding(
                WRONG, f"folders.{name}", f"{folder} is a file", "move it away or name another folder"
            )
        elif not folder.is_dir():
            parent = next(p for p in folder.parents if p.is_dir())
            if os.access(parent, os.W_OK):
                yield Finding(WARNING, f"folders.{name}", f"{folder} is not there; the service will make it")
            else:
                yield Finding(
                    WRONG, f"folders.{name}", f"{folder} is not there", "create it or mount its share"
                )
        elif name == "incoming":
            yield _readable(folder)
        else:
            yield _writable(name, folder)


def _readable(folder: Path) -> Finding:
    try:
        entries = count(len(os.listdir(folder)), "entry", "entries")
    except OSError as error:
        advice = f"it belongs to {_owner(folder)}; let us read it"
        return Finding(WRONG, "folders.incoming", f"{folder} cannot be read: {plainly(error)}", advice)
    return Finding(OK, "folders.incoming", f"{folder} can be read ({entries})")


def _writable(name: str, folder: Path) -> Finding:
    """Really write, sync, rename and remove."""
    probe = folder / f"{TEMP_PREFIX}doctor"
    try:
        atomic_write(probe, b"x")
        os.rename(probe, folder / f"{TEMP_PREFIX}doctor2")
        (folder / f"{TEMP_PREFIX}doctor2").unlink()
    except OSError as error:
        probe.unlink(missing_ok=True)
        advice = f"it belongs to {_owner(folder)}; let the service write there"
        return Finding(WRONG, f"folders.{name}", f"{folder} cannot be written: {plainly(error)}", advice)
    return Finding(OK, f"folders.{name}", f"{folder} can be written")


def _owner(folder: Path) -> str:
    try:
        return f"{folder.owner()}:{folder.group()}"
    except (KeyError, OSError, NotImplementedError):
        return "somebody else"


def file_systems(settings: Settings) -> Iterator[Finding]:
    for name in ("incoming", "ready", "state"):
        folder: Path = getattr(settings.folders, name)
        kind = file_system_type(folder) or "unknown"
        network = kind.split(".")[0] in NETWORK_TYPES
        if network and name == "state":
            advice = "put folders.state on a disk of this machine"
            yield Finding(
                WRONG, "file system", f"folders.state is on {kind}, where locks are not reliable", advice
            )
        elif network and name == "incoming":
            yield Finding(OK, "file system", f"folders.incoming is on {kind}: it is polled")
        else:
            yield Finding(OK, "file system", f"folders.{name} is on {kind}")


def space(settings: Settings) -> Iterator[Finding]:
    for name in ("ready", "rejected", "state"):
        folder: Path = getattr(settings.folders, name)
        there = next(p for p in (folder, *folder.parents) if p.exists())
        free_mb = shutil.disk_usage(there).free >> 20
        wanted = settings.limits.free_space_mb if name == "ready" else 50
        level = OK if free_mb > 4 * wanted else WARNING if free_mb > wanted else WRONG
        advice = "" if level == OK else f"free some; work waits below {wanted} MB"
        yield Finding(level, "space", f"{free_mb} MB free for folders.{name}", advice)


def watching(settings: Settings) -> Iterator[Finding]:
    """Do events arrive, and are there enough watches for all folders?"""
    incoming = settings.folders.incoming
    if not incoming.is_dir():
        return
    folders_there = look(incoming, settings.arrival.ignore).folders
    limit = watch_limit()
    if limit is not None and folders_there > limit // 2:
        advice = "raise fs.inotify.max_user_watches; until then the periodic look finds everything, later"
        yield Finding(WARNING, "watching", f"{count(folders_there, 'folder')}, limit {limit}", advice)
    watch = Watch(incoming, settings.arrival.watch, settings.arrival.polling_seconds, Inbox())
    watch.start()
    mode, remark = watch.mode, watch.note
    watch.stop()
    level = WARNING if remark and settings.arrival.watch == "native" else OK
    yield Finding(
        level, "watching", f"{count(folders_there, 'folder')}, {mode}" + (f": {remark}" if remark else "")
    )


def decoders(settings: Settings) -> Iterator[Finding]:
    import soundfile as sf

    known = sf.available_formats()
    missing = [name for name in FORMATS if name not in known]
    version = f"libsndfile {sf.__libsndfile_version__}"
    if missing:
        advice = "install the soundfile wheel, which brings its own libsndfile"
        yield Finding(WRONG, "decoders", f"{version} cannot read {', '.join(missing)}", advice)
    else:
        yield Finding(OK, "decoders", f"{version} reads {', '.join(FORMATS)}")


def worker(settings: Settings) -> Iterator[Finding]:
    """Start one under the configured limits, let it warm up and answer."""
    setup = replace(worker_setup(settings), stderr=None)
    pool, begun = WorkerPool(1, setup), time.monotonic()
    pool.start()
    try:
        pool.wait_until_warm(120)
        pool.submit(Task("doctor", WARM_UP, (), 60))
        warm_s, reports = time.monotonic() - begun, pool.poll(0)
        while not reports:
            reports = pool.poll(1.0)
        answered = isinstance(reports[-1], Done)
    finally:
        pool.stop()
        end_helper()
    if answered:
        yield Finding(OK, "worker", f"warm after {warm_s:.1f} s within {settings.limits.job_memory_mb} MB")
    else:
        yield Finding(
            WRONG,
            "worker",
            f"the analysis does not run: {reports[-1]}",
            "raise limits.job_memory_mb, or report this",
        )


def ledger(settings: Settings) -> Iterator[Finding]:
    path = ledger_path(settings.folders.state)
    if not path.exists():
        yield Finding(OK, "ledger", "none yet")
        return
    opened = Ledger.read_only(path)
    try:
        sound = opened.sound()
        text = f"{opened.count('ready')} ready, {opened.count('rejected')} rejected"
    finally:
        opened.close()
    if sound:
        yield Finding(OK, "ledger", text)
    else:
        yield Finding(
            WRONG, "ledger", f"{path} is damaged", "restart the service: it is made again from the results"
        )


def service(settings: Settings) -> Iterator[Finding]:
    if not is_locked(settings.folders.state, settings.folders.incoming):
        yield Finding(WARNING, "service", "not running", "beatintake run, or beatintake service install")
        return
    status = read_status(settings)
    level = OK if status.responding and not status.problems else WRONG
    problems = "; ".join(status.problems.values())
    yield Finding(
        level,
        "service",
        f"{status.state}, last heartbeat {status.heartbeat_age_s} s ago{': ' * bool(problems)}{problems}",
    )


def notification(settings: Settings) -> Iterator[Finding]:
    """A command that needs a network, under a unit that has none."""
    if remark := network_remark(settings):
        yield Finding(WARNING, "notification", remark)
    path = unit_path(sys.platform)
    if settings.notify.command and settings.notify.needs_network and path.is_file():
        with suppress(UnicodeDecodeError):
            if LOCK_LINE in path.read_text(encoding="utf-8").splitlines():
                text = f"{path} keeps the service off the network, and notify.needs_network is true"
                yield Finding(WRONG, "notification", text, "beatintake service install writes it anew")


CHECKS: tuple[Check, ...] = (
    installation,
    extras,
    notification,
    folders,
    file_systems,
    space,
    watching,
    decoders,
    worker,
    ledger,
    service,
)
