"""What a back-catalogue of many files costs beside the analysis itself.

    python tests/bench/catalogue.py [--files 1000 10000] [--real 50]

For each number of files: the search of the folder; hash, publish and bookkeeping of each drop (the analysis
is replaced by copying the outputs of one real job, so that only the machinery is timed); the look for earlier
versions that each job makes when all are there; the board; the same command again (resume); memory of the
parent. Then REAL short files from start to end with two real workers. Wall and processor seconds.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import shutil
import sys
import time
from itertools import chain
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from bench_kit import facts, make_beat, run, table, variants, workplace, write_config

from config.load import load_settings
from config.settings import Settings
from daemon.batch.batch import Batch, find_items
from daemon.ledger.ledger import Ledger
from daemon.pipeline.job import JobRequest, JobResult, run_job
from daemon.report.board import rebuild_board
from daemon.report.report import read_report
from daemon.workers.pool import Done, Task
from daemon.workers.process import resolve


class CopyingEngine:
    """Runs tasks on the spot; a job copies a finished one under another name, hash and tempo."""

    room = 1

    def __init__(self, template: Path) -> None:
        self.files = {path.name: path.read_bytes() for path in template.iterdir()}
        (name,) = (name for name in self.files if name.endswith(".report.json"))
        self.report: dict[str, Any] = json.loads(self.files.pop(name))
        self.chance = random.Random(1)
        self.done: list[Done] = []

    def submit(self, task: Task) -> None:
        if isinstance(task.arguments[0], JobRequest):
            self.done.append(Done(task.id, self._copy(task.arguments[0])))
        else:
            self.done.append(Done(task.id, resolve(task.function)(*task.arguments)))

    def _copy(self, request: JobRequest) -> JobResult:
        sha256 = resolve("daemon.decode.identity:identify")(request.drop)
        self.report["drop"] |= {"sha256": sha256, "name": request.drop.name}
        if self.report.get("fingerprint"):
            self.report["fingerprint"]["bpm"] = self.chance.uniform(80, 160)
        for name, data in self.files.items():
            (request.staging / name).write_bytes(data)
        (request.staging / f"{request.drop.stem}.report.json").write_text(json.dumps(self.report))
        return JobResult("ready", request.drop.stem, sha256, summary={"tempo_bpm": 140.0, "key": "C major"})

    def outcomes(self, timeout_s: float) -> list[Done]:
        done, self.done = self.done, []
        return done


def make_template(work: Path) -> Path:
    config = write_config(work / "template")
    beat = make_beat(work / "template" / "beat.wav", 20.0)
    staging = work / "template" / "outputs"
    staging.mkdir()
    assert run_job(JobRequest(beat, staging, load_settings(config))).outcome == "ready"
    (copy,) = staging.glob("*.wav")
    copy.write_bytes(b"x")  # the audio is not what is measured
    return staging


class Clock:
    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        self.wall, self.cpu = time.perf_counter(), time.process_time()

    def lap(self) -> tuple[float, float]:
        found = time.perf_counter() - self.wall, time.process_time() - self.cpu
        self.restart()
        return found


def go(settings: Settings, shelf: Path, engine: CopyingEngine) -> tuple[tuple[float, float], ...]:
    """Search and work: (wall, processor) of both."""
    clock = Clock()
    items = find_items(shelf, settings)
    searched = clock.lap()
    ledger = Ledger.open(settings.folders.state / "ledger.sqlite3")
    batch = Batch(settings, ledger)
    batch.waiting.extend(items)
    count = sum(1 for _ in chain(batch.unchanged(), batch.run(engine)))
    ledger.close()
    assert count == len(items)
    return searched, clock.lap()


def look_for_versions(settings: Settings, times: int) -> tuple[float, float]:
    """Mean cost of the look for earlier versions, in a process that goes on."""
    from analyzers.structure.fingerprint import Fingerprint
    from daemon.pipeline.versions import find_version

    folder = next(path for path in settings.folders.ready.iterdir() if path.is_dir() and path.name[0] != ".")
    report = read_report(next(folder.glob("*.report.json")))
    music = report.fingerprint and Fingerprint(report.fingerprint.bpm, 0.0, report.fingerprint.code)
    source: Any = SimpleNamespace(sha256="0" * 64, name="other.wav", producer=None)
    places = settings.folders
    find_version(places.ready, places.state, source, report.corrected(), music)
    clock = Clock()
    for _ in range(times):
        find_version(places.ready, places.state, source, report.corrected(), music)
    wall, cpu = clock.lap()
    return wall / times, cpu / times


def machinery(work: Path, template: Path, count: int) -> None:
    settings = load_settings(write_config(work / f"n{count}"))
    shelf = work / f"shelf-{count}"
    for number in range(count):
        folder = shelf / f"producer-{number % 50}"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"beat-{number}.wav").write_bytes(b"%d" % number)
    engine = CopyingEngine(template)
    searched, worked = go(settings, shelf, engine)
    clock = Clock()
    rebuild_board(settings)
    first_board = clock.lap()
    rebuild_board(settings)
    next_board = clock.lap()
    versions = look_for_versions(settings, 5)
    _, resumed = go(settings, shelf, engine)
    unit = 1 if sys.platform == "darwin" else 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6
    page = (settings.folders.ready / "index.html").stat().st_size / 1e6
    print(f"## {count} files: memory of the parent at most {peak:.0f} MB; board {page:.1f} MB")
    steps: list[tuple[str, tuple[float, float]]] = [
        ("search of the folder", searched),
        ("hash, publish, bookkeeping of all", worked),
        ("the same for one drop, ms", (1000 * worked[0] / count, 1000 * worked[1] / count)),
        ("look for earlier versions, one job, ms", (1000 * versions[0], 1000 * versions[1])),
        ("board, first time", first_board),
        ("board, again", next_board),
        ("the same command again (resume)", resumed),
    ]
    table(["step", "wall s", "processor s"], [[words, wall, cpu] for words, (wall, cpu) in steps])
    shutil.rmtree(shelf)


def real(work: Path, count: int) -> None:
    config = write_config(work / "real", work={"nice": 0, "max_workers": 2})
    variants(make_beat(work / "short.wav", 2.0), work / "real shelf", count)
    command = [sys.executable, "-m", "daemon.cli", "--config", config, "process", work / "real shelf"]
    rows = []
    for words in (f"{count} files of 2 s, two workers", "the same command again"):
        ended = run(command)
        rows.append([words, ended.output.splitlines()[-1].split(";")[0], ended.wall_s, ended.cpu_s])
    table(["what", "result", "wall s", "processor s"], rows)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, nargs="+", default=[1000, 10_000])
    parser.add_argument("--real", type=int, default=50)
    chosen = parser.parse_args()
    with workplace() as work:
        template = make_template(work)
        for count in chosen.files:
            machinery(work, template, count)
        if chosen.real:
            real(work, chosen.real)
    print(facts())


if __name__ == "__main__":
    main()
