"""Kill the service or its worker with SIGKILL at random moments, over and over, and check the disk each time.

    python -m tests.faults.kill_random --kills 1000 --at FOLDER   real analyses of beats of 8 to 12 s
    python -m tests.faults.kill_random --kills 300 --stand-in     quick stand-ins: more kills near publishing

Meanwhile producers leave files, zips and folders of stems, damaged ones among them, rename what lies there,
and deliver the same bytes again. After each kill: nothing visible is partial or there twice, the originals
are untouched, nothing lies where it should not, no worker outlives its service. Every dozen kills the
service may finish: nothing is lost, nothing private is left behind.

With --at the counts are kept in that folder: the same command goes on where it was stopped, until there were
so many kills. A round in which a promise is broken is kept there, counted, and the next one begins.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import tempfile
import time
from collections import Counter
from functools import partial
from pathlib import Path

from tests.daemon.service_kit import wait_for
from tests.faults.deliveries import Producer
from tests.faults.kit import (
    PROMISES,
    REAL,
    STAND_IN,
    Broken,
    World,
    begin,
    finish,
    no_orphans,
    up,
    workers_of,
)

ROUND = 12  # kills before the service may finish
AT_WORK = 0.9  # so many kills wait until a drop is being worked on
SERVICE, WORKER, BUSY, IDLE = (
    "service killed",
    "worker killed",
    "  of these at work",
    "  of these between drops",
)


def one_round(base: Path, kills: int, job: dict[str, str], rng: random.Random, serial: int) -> Counter[str]:
    """Fresh folders, some drops, ``kills`` kills, an undisturbed end. Returns what was killed, delivered."""
    world, counts = World.at(base), Counter[str]()
    producer = Producer(world, rng, serial, real=bool(job))
    for _ in range(4):
        counts[f"delivered: {producer.deliver()}"] += 1
    process = begin(world, job)
    try:
        for _ in range(kills):
            counts[f"delivered: {producer.deliver()}"] += 1
            wait_for(partial(up, process, world), "the service to start", 300)
            counts += _kill(process, world, rng, longest_s=1.2 if job else 0.3)
            world.check()
            if process.poll() is not None:
                process = begin(world, job)
    finally:
        process.kill()
        process.wait()
    world.check()
    finish(world, job, timeout_s=600)
    return counts


def _kill(
    process: subprocess.Popen[bytes], world: World, rng: random.Random, longest_s: float
) -> Counter[str]:
    """One kill. Says what of, and whether a drop was worked on."""
    wanted, pauses = rng.random() < AT_WORK, (rng.uniform(0.0, longest_s), rng.uniform(0.0, 0.2))
    for pause in pauses if wanted else pauses[:1]:
        if wanted and not _at_work(world):
            with contextlib.suppress(AssertionError):
                wait_for(partial(_at_work, world), "work", 10)
        time.sleep(pause)
        if _at_work(world):
            break
    busy, pids = _at_work(world), {worker.pid for worker in workers_of(process)}
    if pids and rng.random() < 0.5:
        with contextlib.suppress(ProcessLookupError):
            os.kill(rng.choice(sorted(pids)), signal.SIGKILL)
        what = WORKER
    else:
        process.kill()
        process.wait()
        no_orphans(pids)
        what = SERVICE
    return Counter([what, BUSY if busy else IDLE])


def _at_work(world: World) -> bool:
    return any((world.settings.folders.ready / ".staging").glob("job-*"))


def kill_many(base: Path, kills: int, job: dict[str, str], seed: int) -> Counter[str]:
    """Rounds until there were so many kills; the counts of earlier runs in ``base`` are gone on from."""
    book = base / "counts.json"
    total: Counter[str] = Counter(json.loads(book.read_text())) if book.exists() else Counter()
    while (done := total[SERVICE] + total[WORKER]) < kills:
        serial = total["rounds"] + 1
        place = base / f"round{serial}"
        shutil.rmtree(place, ignore_errors=True)  # it was interrupted: its kills were not counted
        place.mkdir(parents=True)
        rng = random.Random(seed * 1_000_003 + serial)
        try:
            total += one_round(place, min(ROUND, kills - done), job, rng, serial)
            shutil.rmtree(place)
        except Broken as broken:
            print(f"round {serial}, kept in {place}: {broken}", flush=True)
            total[broken.promise] += 1
        total["rounds"] += 1
        book.write_text(json.dumps(total))
        print(f"{total[SERVICE] + total[WORKER]} kills, {total[BUSY]} of them at work", flush=True)
    return total


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--stand-in", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at", type=Path, help="keep the counts here and go on from them")
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as private:
        base = (chosen.at or Path(private)).resolve()
        base.mkdir(parents=True, exist_ok=True)
        total = kill_many(base, chosen.kills, STAND_IN if chosen.stand_in else REAL, chosen.seed)
    for name in (SERVICE, WORKER, BUSY, IDLE, *sorted(n for n in total if n.startswith("delivered"))):
        print(f"{name}: {total[name]}")
    print(", ".join(f"{promise}: {total[promise]}" for promise in PROMISES))
    return int(any(total[promise] for promise in PROMISES))


if __name__ == "__main__":
    raise SystemExit(main())
