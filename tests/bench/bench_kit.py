"""What the speed commands share: machine facts, children that are measured, medians, tables."""

from __future__ import annotations

import atexit
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import soundfile as sf

ROOT = Path(__file__).parents[2]
TASKS = Path(__file__).with_name("bench_tasks.py")
LIBRARIES = ("numpy", "scipy", "soxr", "soundfile", "librosa", "numba", "pyloudnorm", "distributed")
ONE_THREAD = {
    f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL", "NUMBA", "NUMEXPR", "VECLIB_MAXIMUM")
}


@dataclass(frozen=True, slots=True)
class Run:
    """One process: wall and processor seconds (children included), and what it printed."""

    wall_s: float
    cpu_s: float
    code: int
    output: str


def facts() -> str:
    """The machine and the versions, for under a table."""
    versions = []
    for name in LIBRARIES:
        try:
            versions.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            continue
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{os.cpu_count()} processors ({platform.machine()}, {platform.system()}){load}; "
        f"Python {platform.python_version()}; {', '.join(versions)}"
    )


@cache
def surroundings() -> dict[str, str]:
    """The environment of what is measured: one thread in each library, and bytecode in a place of its own, as
    an installed package has it, whatever this environment says about writing it.
    """
    place = tempfile.TemporaryDirectory(prefix="beatintake-bench-bytecode-")
    atexit.register(place.cleanup)
    facts = {**os.environ, **ONE_THREAD, "PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": place.name}
    facts.pop("PYTHONDONTWRITEBYTECODE", None)
    ours = [str(ROOT / name) for name in ("analyzers", "config", "daemon")]
    subprocess.run([sys.executable, "-m", "compileall", "-q", *ours], env=facts, check=True)
    return facts


def run(command: Sequence[str | Path], **environment: str) -> Run:
    """Run a command to its end, one thread in each library."""
    with tempfile.TemporaryFile() as out:
        begin = time.perf_counter()
        process = subprocess.Popen(
            [str(part) for part in command],
            stdout=out,
            stderr=subprocess.DEVNULL if "QUIET" in environment else None,
            env={**surroundings(), **environment},
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read().decode("utf-8", "replace")
    return Run(wall, usage.ru_utime + usage.ru_stime, process.returncode, text)


def task(name: str, *arguments: object, python: str = sys.executable) -> dict[str, Any] | None:
    """Run one task of `bench_tasks` in a process of its own; None when its library is missing."""
    ended = run([python, TASKS, name, *map(str, arguments)])
    if ended.code != 0:
        return None
    answer: dict[str, Any] = json.loads(ended.output.splitlines()[-1])
    return {**answer, "process_wall_s": ended.wall_s, "process_cpu_s": ended.cpu_s}


def middle(values: Sequence[float]) -> float:
    return median(values)


def spread(values: Sequence[float]) -> list[float]:
    """Minimum, median and maximum."""
    return [min(values), median(values), max(values)]


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a Markdown table."""
    print("| " + " | ".join(head) + " |")
    print("|" + " --- |" * len(head))
    for row in rows:
        print("| " + " | ".join(f"{c:.2f}" if isinstance(c, float) else str(c) for c in row) + " |")
    print(flush=True)


@contextmanager
def workplace() -> Iterator[Path]:
    """A temporary folder for audio and outputs."""
    with tempfile.TemporaryDirectory(prefix="beatintake-bench-") as folder:
        yield Path(folder)


def write_config(folder: Path, **sections: dict[str, Any]) -> Path:
    """A configuration with all folders below `folder`, and the folders."""
    names = ("incoming", "ready", "rejected", "state")
    for name in names:
        (folder / name).mkdir(parents=True, exist_ok=True)
    text = {"folders": {name: str(folder / name) for name in names}, **sections}
    path = folder / "beatintake.yaml"
    path.write_text(json.dumps(text), encoding="utf-8")  # JSON is YAML
    return path


def make_beat(
    path: Path, seconds: float, seed: int = 200_017, subtype: str = "PCM_24", rate: int = 44100
) -> Path:
    """A generated stereo beat, exactly so long; at another rate than 44.1 kHz it plays faster. The format is
    that of the path's ending. What is too short goes on at its last bar line with its first bar, so that the
    tempo of a long one is as steady as that of a short one.
    """
    from demo.render import render
    from demo.spec import random_spec

    wanted, block = round(seconds * rate), 1 << 16
    for number in range(seed, seed + 50):
        samples, truth = render(random_spec(number, kind="beat", length_s=min(seconds, 210.0)))
        if truth.samplerate == 44100 and samples.shape[1] == 2:
            break
    bars = [round(at * 44100) for at, first in truth.beats if first]
    begin, end = (0, bars[-1]) if wanted > len(samples) else (0, wanted)
    with sf.SoundFile(path, "w", rate, 2, subtype) as file:
        while wanted > 0:
            end = min(end, begin + wanted)
            for at in range(begin, end, block):
                file.write(samples[at : min(at + block, end)])
            wanted -= end - begin
            begin = bars[0]
    return path


def variants(original: Path, folder: Path, count: int) -> list[Path]:
    """Copies with other bytes: each has a little more digital silence in front."""
    folder.mkdir(parents=True, exist_ok=True)
    samples, rate = sf.read(original, dtype="int32")
    made = []
    for number in range(count):
        path = folder / f"beat-{number:05d}.wav"
        pad = np.zeros((number, samples.shape[1]), samples.dtype)
        sf.write(path, np.concatenate((pad, samples)), rate, subtype="PCM_24")
        made.append(path)
    return made
