"""`beatintake process`: the work of the service once, for named files and folders, with progress."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections import Counter
from collections.abc import Generator, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.batch.batch import Batch, Ended, find_items
from daemon.batch.engines import cluster_engine, local_engine
from daemon.core.atomic import STAGING
from daemon.core.errors import MachineError
from daemon.core.exitcodes import INTERRUPTED, MACHINE, OK, SOME_FAILED
from daemon.core.folders import clear_abandoned, make_folders
from daemon.core.names import ears_words, key_words, tempo_words
from daemon.core.studio import claim, require_outputs
from daemon.core.text import file_name, one_line
from daemon.ledger.ledger import UNDERWAY
from daemon.ledger.rebuild import open_or_rebuild
from daemon.report.board import rebuild_board


def process_paths(
    paths: list[Path],
    settings: Settings,
    ledger_file: Path,
    *,
    again: bool = False,
    scheduler: str | None = None,
) -> int:
    """Process everything at `paths`; returns the exit code. Interrupted: the same command goes on."""
    if ledger_file.parent == settings.folders.state:
        return _process(paths, settings, ledger_file, again, scheduler, own=True)
    incoming = settings.folders.incoming
    with _spared(settings.folders.rejected, ledger_file.with_name(UNDERWAY), incoming, incoming.parent):
        return _process(paths, settings, ledger_file, again, scheduler, own=False)


@contextmanager
def _spared(*folders: Path) -> Iterator[None]:
    """Those of the folders that were not there and in which nothing is left are gone afterwards."""
    made = [f for folder in folders for f in (folder / STAGING, folder) if not os.path.lexists(f)]
    try:
        yield
    finally:
        for folder in made:
            with suppress(OSError):  # it holds something, or was never made
                folder.rmdir()


def _process(
    paths: list[Path], settings: Settings, ledger_file: Path, again: bool, scheduler: str | None, *, own: bool
) -> int:
    if own:
        require_outputs(settings.folders)
    make_folders(settings)
    clear_abandoned(settings)
    if own:
        claim(settings.folders)
    ledger, _ = open_or_rebuild(ledger_file, settings.folders.ready, settings.folders.rejected)
    batch = Batch(settings, ledger, again)
    for path in paths:
        batch.waiting.extend(find_items(path, settings))
    if not batch.waiting:
        print("nothing to do: no beats there", file=sys.stderr)
        return OK
    counts: Counter[str] = Counter()
    try:
        with _stoppable(), _display(batch) as show, closing(_work(batch, scheduler)) as endings:
            for ended in endings:
                counts[_kind(ended)] += 1
                show(ended)
    except KeyboardInterrupt:
        print(f"interrupted; {batch.left} left. The same command goes on from here.", file=sys.stderr)
        return INTERRUPTED
    finally:
        ledger.close()
        if counts["ready"] or counts["rejected"]:
            rebuild_board(settings)
    words = [
        f"{counts[how]} {how}" for how in ("ready", "known", "rejected", "failed", "machine") if counts[how]
    ]
    print(one_line(f"{', '.join(words)}; results are in {settings.folders.ready}"))
    return MACHINE if counts["machine"] else SOME_FAILED if counts["rejected"] + counts["failed"] else OK


def _work(batch: Batch, scheduler: str | None) -> Generator[Ended]:
    """Workers are started only when something is left for them."""
    yield from batch.unchanged()
    if not batch.waiting:
        return
    settings = batch.settings
    workers = min(settings.work.max_workers, len(batch.waiting))
    engine = cluster_engine(scheduler) if scheduler else local_engine(settings, workers)
    with engine as at_work:
        yield from batch.run(at_work)


def _kind(ended: Ended) -> str:
    return "machine" if isinstance(ended.error, MachineError) else ended.how


def line_of(ended: Ended) -> str:
    """One line for a person: how it ended, which drop, what was found."""
    name = ended.record.name if ended.record else file_name(ended.path)
    if ended.error is not None:
        return f"failed    {ended.error}"
    record = ended.record
    if record is None or ended.how == "rejected":
        return f"rejected  {name}: {record.reason if record else ''}"
    if ended.how == "known":
        return f"known     {name}: same bytes as {record.folder}"
    facts = record.summary
    part = "replaces an incomplete copy" if facts.get("replaces_part") else ""
    found = ", ".join(filter(None, (tempo_words(facts), key_words(facts), ears_words(facts), part)))
    return f"ready     {name}: {found} -> {record.folder}"


@contextmanager
def _stoppable() -> Iterator[None]:
    """SIGTERM ends it like Ctrl-C: no process and nothing private is left behind."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _display(batch: Batch) -> Iterator[Any]:
    """A progress bar with the time left on a terminal, plain lines elsewhere."""
    if not sys.stdout.isatty():
        yield lambda ended: print(one_line(line_of(ended)), flush=True)
        return
    from rich.markup import escape
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns) as progress:
        task = progress.add_task("beats", total=batch.left)

        def show(ended: Ended) -> None:
            progress.console.print(escape(one_line(line_of(ended))), highlight=False)
            done = progress.tasks[0].completed + 1
            progress.update(task, completed=done, total=done + batch.left)

        yield show
