"""A burst of files, some written slowly, some replaced, some renamed and deleted at once; and a big catch-up.

    python -m tests.faults.flood --files 1000            burst under a running service
    python -m tests.faults.flood --files 10000 --waiting  all there before the service starts
    python -m tests.faults.flood --files 2000 --beside-long  beside a long drop; how `status` answers

Prints how long the service took to notice everything, its memory, and the end: each content exactly once.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import psutil

from tests.daemon.service_kit import health, wait_for
from tests.faults.kit import STAND_IN, World, begin, seeded


def flood(base: Path, files: int, waiting: bool, seed: int, to_the_end: bool = True) -> dict[str, float]:
    """One flood. Returns figures; AssertionError when a promise is broken."""
    rng, world = seeded(seed), World.at(base, arrival={"rescan_seconds": 5})
    if waiting:
        _burst(world, files)
    begun = time.monotonic()
    process = begin(world, STAND_IN)
    try:
        wait_for(lambda: health(world.settings).get("state") == "running", "the service to start", 60)
        started = time.monotonic() - begun
        rss_before = psutil.Process(process.pid).memory_info().rss
        slow = threading.Thread(target=_slow_writers, args=(world, rng.random()))
        if not waiting:
            slow.start()
            _burst(world, files)
            slow.join()
            _restless(world, files)
        noticed = wait_for(lambda: _all_noticed(world, begun), "everything to be noticed", 120)
        goal = len(world.wanted) if to_the_end else 50
        wait_for(lambda: _counted(world) >= goal, "everything to be done", 120 + files)
        done = time.monotonic() - begun
        rss_after = psutil.Process(process.pid).memory_info().rss
    finally:
        process.terminate()
        process.wait(60)
    if to_the_end:
        world.check_end()
    else:
        world.check()
    return {
        "files": len(world.wanted),
        "started after s": round(started, 2),
        "all noticed after s": round(noticed, 2),
        f"{goal} done after s": round(done, 1),
        "service memory before MB": round(rss_before / 1e6, 1),
        "service memory after MB": round(rss_after / 1e6, 1),
    }


def beside_long(base: Path, files: int) -> dict[str, float]:
    """``files`` small drops come while a long one is worked on: they go first, and ``status`` answers."""
    world = World.at(
        base, arrival={"rescan_seconds": 5}, limits={"max_attempts": 10, "job_timeout_seconds": 3600}
    )
    config = base / "beatintake.yaml"
    names = ("incoming", "ready", "rejected", "state")
    config.write_text(json.dumps({"folders": {name: name for name in names}}))
    process = begin(world, STAND_IN, more="from daemon.service import preemption; preemption.LONG_S = 1.0")
    took: list[float] = []
    try:
        wait_for(lambda: health(world.settings).get("state") == "running", "the service to start")
        world.drop("two hours.wav", b"!sleep 30\n" + b"x" * 1_000_000)
        wait_for(lambda: health(world.settings).get("running"), "the long one to run")
        _burst(world, files)
        while _counted(world) < files:
            took.append(_ask_status(config))
        rss = psutil.Process(process.pid).memory_info().rss
        wait_for(world.all_done, "the long one")
    finally:
        process.terminate()
        process.wait(60)
    world.check_end()
    made = {path.parent.name: path.stat().st_mtime for path in (base / "ready").glob("*/*.report.json")}
    long_at = made.pop("two hours")
    return {
        "files": len(world.wanted),
        "small ones after the long one": sum(at > long_at for at in made.values()),
        "service memory MB": round(rss / 1e6, 1),
        "status asked": len(took),
        "status median s": round(statistics.median(took), 2),
        "status worst s": round(max(took), 2),
    }


def _ask_status(config: Path) -> float:
    """Seconds that ``beatintake status`` takes, its start included."""
    begun = time.monotonic()
    command = [sys.executable, "-m", "daemon.cli", "--config", str(config), "status"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - begun


def _burst(world: World, files: int) -> None:
    for number in range(files):
        folder = ("", "mira/", "ode/beats/deep/")[number % 3]
        world.drop(f"{folder}beat{number}.wav", b"beat %d" % number)


def _slow_writers(world: World, salt: float) -> None:
    """Five files in pieces, with pauses longer than the settling time."""
    datas = {f"slow{number}.wav": b"slow %d %f" % (number, salt) * 100 for number in range(5)}
    files = {name: open(world.settings.folders.incoming / name, "wb", buffering=0) for name in datas}  # noqa: SIM115
    for at in range(0, 1500, 300):
        for name, file in files.items():
            file.write(datas[name][at : at + 300])
        time.sleep(0.3)
    for name, file in files.items():
        file.write(datas[name][1500:])
        file.close()
        world.wanted[name] = datas[name]


def _restless(world: World, files: int) -> None:
    """Some of the burst is replaced, renamed or deleted before the service can have got to it."""
    incoming = world.settings.folders.incoming
    for number in range(0, files, 50):
        path = incoming / f"restless{number}.wav"
        path.write_bytes(b"first %d" % number)
        path.write_bytes(b"second and longer %d" % number)
        path.rename(incoming / f"renamed{number}.wav")
        world.wanted[f"renamed{number}.wav"] = b"second and longer %d" % number
        gone = incoming / f"gone{number}.wav"
        gone.write_bytes(b"gone %d" % number)
        gone.unlink()


def _all_noticed(world: World, begun: float) -> float | None:
    facts = health(world.settings)
    seen = facts.get("arriving_count", 0) + facts.get("waiting_count", 0) + len(facts.get("running", []))
    seen += facts.get("ready_since_start", 0)
    return time.monotonic() - begun if seen >= len(world.wanted) else None


def _counted(world: World) -> int:
    """Results so far, by the service's own count (the disk is read once, at the end)."""
    time.sleep(0.2)
    return int(health(world.settings).get("ready_since_start", 0))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=1000)
    parser.add_argument("--waiting", action="store_true")
    parser.add_argument("--first", action="store_true", help="stop after the first fifty results")
    parser.add_argument("--beside-long", action="store_true", help="while a long drop is worked on")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as base:
        if chosen.beside_long:
            figures = beside_long(Path(base), chosen.files)
        else:
            figures = flood(Path(base), chosen.files, chosen.waiting, chosen.seed, not chosen.first)
        for name, value in figures.items():
            print(f"{name}: {value}")
    print("drops lost: 0, partial outputs: 0, duplicates: 0")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
