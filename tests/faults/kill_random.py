"""Kill the service or its worker with SIGKILL at random moments, over and over, and check the disk each time.

    python -m tests.faults.kill_random --kills 300            real analyses of small WAVs
    python -m tests.faults.kill_random --kills 300 --stand-in quick stand-ins: more kills near publishing

After each kill: nothing visible is partial, nothing is there twice, the originals are untouched, no worker
outlives its service. Every dozen kills the service may finish: nothing is lost, nothing private is left
behind.
"""

from __future__ import annotations

import argparse
import atexit
import os
import random
import signal
import tempfile
import time
from collections import Counter
from functools import partial
from pathlib import Path

from tests.daemon.service_kit import wait_for
from tests.faults.kit import REAL, STAND_IN, World, beat, begin, finish, no_orphans, seeded, up, workers_of

ROUND = 12  # kills before the service may finish


def one_round(base: Path, kills: int, job: dict[str, str], rng: random.Random, serial: int) -> Counter[str]:
    """Fresh folders, some drops, ``kills`` kills, an undisturbed end. Returns what was killed, and in which
    stage.
    """
    world = World.at(base)
    counts: Counter[str] = Counter()
    for number in range(4):
        world.drop(
            f"beat{number}.wav",
            beat(serial * 100 + number) if job else b"!sleep-late 0.2\nbeat%d-%d" % (serial, number),
        )
    world.drop("mira/broken.wav", b"no audio %d" % serial if job else b"!damaged %d\n" % serial)
    process = begin(world, job)
    atexit.register(lambda: process.kill())
    for number in range(kills):
        world.drop(
            f"more{number}.wav",
            beat(serial * 100 + 50 + number) if job else b"!sleep 0.2\nmore%d-%d" % (serial, number),
        )
        wait_for(partial(up, process, world), "the service to start", 120)
        time.sleep(rng.uniform(0.0, 2.0 if job else 0.5))
        busy = list((world.settings.folders.ready / ".staging").glob("job-*"))
        pids = {worker.pid for worker in workers_of(process)}
        if pids and rng.random() < 0.5:
            os.kill(rng.choice(sorted(pids)), signal.SIGKILL)
            counts["worker killed"] += 1
        else:
            process.kill()
            process.wait()
            no_orphans(pids)
            counts["service killed"] += 1
        counts["  of these while a drop was worked on" if busy else "  of these between drops"] += 1
        world.check()
        if process.poll() is not None:
            process = begin(world, job)
    process.kill()
    process.wait()
    world.check()
    finish(world, job)
    counts["drops"] += len(world.wanted)
    return counts


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--stand-in", action="store_true")
    parser.add_argument("--seed", type=int, default=int(time.time()))
    chosen = parser.parse_args(arguments)
    rng, total, serial = seeded(chosen.seed), Counter[str](), 0
    while total["service killed"] + total["worker killed"] < chosen.kills:
        left = chosen.kills - total["service killed"] - total["worker killed"]
        with tempfile.TemporaryDirectory() as base:
            job = STAND_IN if chosen.stand_in else REAL
            total += one_round(Path(base), min(ROUND, left), job, rng, serial)
        serial += 1
        print(f"{total['service killed'] + total['worker killed']} kills survived", flush=True)
    for name, count in sorted(total.items()):
        print(f"{name}: {count}")
    print("drops lost: 0, partial outputs: 0, duplicates: 0, originals touched: 0, orphans: 0")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
