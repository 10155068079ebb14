"""Many drops, one after the other, with renames and deletions: memory, descriptors and threads must stay
flat.

    python -m tests.faults.soak --drops 1000              real analyses of small WAVs
    python -m tests.faults.soak --drops 2000 --stand-in   quick stand-ins: the service alone

Prints a line every tenth of the way: drops done, memory of service and worker, descriptors, threads, size
of the log; then the growth over the second half, and the idle load of the service over ten seconds.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import psutil

from tests.daemon.service_kit import health, wait_for
from tests.faults.kit import REAL, STAND_IN, World, beat, begin, workers_of

KEPT = 40  # drops and results that stay; older ones are removed, as people do


class Sample(NamedTuple):
    drops: int
    service_mb: float
    worker_mb: float
    descriptors: int
    threads: int
    log_kb: float


def sample(process: subprocess.Popen[bytes], world: World, drops: int) -> Sample:
    service = psutil.Process(process.pid)
    workers = [w.memory_info().rss for w in workers_of(process)]
    logs = sum(path.stat().st_size for path in (world.settings.folders.state / "logs").iterdir())
    return Sample(
        drops,
        service.memory_info().rss / 1e6,
        max(workers, default=0) / 1e6,
        service.num_fds(),
        service.num_threads(),
        logs / 1e3,
    )


def soak(base: Path, drops: int, real: bool) -> list[Sample]:
    """Returns the samples."""
    world = World.at(base, arrival={"rescan_seconds": 5})
    process = begin(world, REAL if real else STAND_IN)
    samples: list[Sample] = []
    try:
        wait_for(lambda: health(world.settings).get("state") == "running", "the service to start", 60)
        for number in range(drops):
            data = beat(number, seconds=3.0) if real else b"beat %d" % number
            world.drop(f"beat{number}.wav", data)
            if number % 7 == 0:
                _restless(world, number)
            if number % 10 == 9:
                wait_for(world.all_done, "ten drops", 120)
                _tidy(world)
            if number % max(1, drops // 10) == max(1, drops // 10) - 1:
                samples.append(sample(process, world, number + 1))
                print(
                    "  ".join(f"{name} {value:.1f}" for name, value in samples[-1]._asdict().items()),
                    flush=True,
                )
        wait_for(world.all_done, "the last drops", 120)
        print(f"idle load of the service: {idle_load(process.pid):.2f} % of a core")
    finally:
        process.terminate()
        process.wait(60)
    return samples


def _restless(world: World, number: int) -> None:
    path = world.settings.folders.incoming / f"short{number}.wav"
    path.write_bytes(b"short-lived")
    path.rename(path.with_name(f"moved{number}.wav")).unlink()


def _tidy(world: World) -> None:
    """The producer removes old beats; the engineer removes old results."""
    for name in list(world.wanted)[:-KEPT]:
        (world.settings.folders.incoming / name).unlink()
        shutil.rmtree(world.settings.folders.ready / name.removesuffix(".wav"))
        del world.wanted[name]


def idle_load(pid: int, seconds: float = 10.0) -> float:
    """Processor time over a while with nothing to do, in per cent of one core."""
    service = psutil.Process(pid)
    time.sleep(2.0)
    before = service.cpu_times()
    time.sleep(seconds)
    after = service.cpu_times()
    return 100 * (after.user + after.system - before.user - before.system) / seconds


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--drops", type=int, default=1000)
    parser.add_argument("--stand-in", action="store_true")
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as base:
        samples = soak(Path(base), chosen.drops, real=not chosen.stand_in)
    half = samples[len(samples) // 2 :]
    growth = half[-1].service_mb - half[0].service_mb
    descriptors = half[-1].descriptors - half[0].descriptors
    print(f"growth over the second half: {growth:.1f} MB, {descriptors} descriptors")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
