"""The running service: from the last byte to the published folder, and a backlog.

    python tests/bench/service.py [--runs 5] [--seconds 210] [--beats 100] [--workers 2]
                                  [--parts start arrival backlog]

start    a beat lies in incoming/ when the service starts; the time from there to its ready folder
         (target: 2.5 s)
arrival  one beat at a time is moved whole into incoming/ of a running service with a warm worker, with the
         default settings; the time until its ready folder appears (target: 2 s)
backlog  BEATS beats (8 different ones, each with other bytes) are there when `run --once` starts; audio
         seconds a second, from the start of the process to its end (target: 260 with two workers)
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

from bench_kit import (
    facts,
    make_beat,
    run,
    spread,
    surroundings,
    table,
    variants,
    workplace,
    write_config,
)

SETTLE_S = 1.0
PATIENCE_S = 300.0


def wait_for(folder: Path) -> float:
    """When it was there."""
    limit = time.perf_counter() + PATIENCE_S
    while not folder.exists():
        if time.perf_counter() > limit:
            sys.exit(f"nothing was published within {PATIENCE_S:g} s")
        time.sleep(0.005)
    return time.perf_counter()


def service(config: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "daemon.cli", "--config", str(config), "run"]
    return subprocess.Popen(command, env=surroundings(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def start(work: Path, beats: list[Path]) -> None:
    """Each in a studio of its own, so that nothing is known from before."""
    took = []
    for number, beat in enumerate(beats):
        config = write_config(work / f"start-{number}", work={"nice": 0})
        private = config.parent / beat.name
        shutil.copyfile(beat, private)
        os.utime(private, (time.time() - 60,) * 2)
        private.rename(config.parent / "incoming" / beat.name)
        begin = time.perf_counter()
        process = service(config)
        try:
            took.append(wait_for(config.parent / "ready" / beat.stem) - begin)
        finally:
            process.terminate()
            process.wait(60)
    print("## From the start of the service to the first ready folder (target: 2.5 s)\n")
    table(["runs", "least s", "median s", "most s"], [[len(took), *spread(took)]])


def arrival(work: Path, beats: list[Path]) -> None:
    config = write_config(work / "arrival", work={"nice": 0})
    process = service(config)
    took = []
    try:
        for beat in beats:
            private = config.parent / "incoming" / f".{beat.name}.part"
            shutil.copyfile(beat, private)
            private.rename(config.parent / "incoming" / beat.name)
            begin = time.perf_counter()
            took.append(wait_for(config.parent / "ready" / beat.stem) - begin)
            time.sleep(1.0)
    finally:
        process.terminate()
        process.wait(60)
    print("## From the rename into place to the ready folder, default settling (target: 2 s)")
    print(f"(the first one, which also waits for the service to start: {took[0]:.2f} s)\n")
    table(["runs", "least s", "median s", "most s"], [[len(took) - 1, *spread(took[1:])]])


def backlog(work: Path, originals: list[Path], seconds: float, count: int, workers: int) -> None:
    config = write_config(
        work / "backlog", arrival={"settle_seconds": SETTLE_S}, work={"nice": 0, "max_workers": workers}
    )
    incoming = config.parent / "incoming"
    for number, original in enumerate(originals):
        share = len(range(number, count, len(originals)))
        variants(original, incoming / f"producer-{number}", share)
    ended = run([sys.executable, "-m", "daemon.cli", "--config", config, "run", "--once"], QUIET="1")
    done = sum(1 for path in (config.parent / "ready").iterdir() if path.is_dir() and path.name[0] != ".")
    print(f"## Backlog of {count} beats of {seconds:g} s, {workers} workers (target: 260 x real time)")
    speed = done * seconds / ended.wall_s
    row = [done, ended.wall_s, ended.cpu_s, ended.cpu_s / max(done, 1), speed]
    table(["published", "wall s", "processor s", "processor s a beat", "x real time"], [row])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=210.0)
    parser.add_argument("--beats", type=int, default=100)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--parts", nargs="+", default=["start", "arrival", "backlog"])
    chosen = parser.parse_args()
    with workplace() as work:
        originals = [
            make_beat(work / f"original-{k}.wav", chosen.seconds, 200_100 + 50 * k)
            for k in range(min(8, max(chosen.beats, 1)))
        ]
        if "start" in chosen.parts:
            start(work, variants(originals[0], work / "starts", chosen.runs))
        if "arrival" in chosen.parts:
            arrival(work, variants(originals[0], work / "drops", chosen.runs + 1))
            shutil.rmtree(work / "drops")
        if "backlog" in chosen.parts:
            backlog(work, originals, chosen.seconds, chosen.beats, chosen.workers)
    print(facts())


if __name__ == "__main__":
    main()
