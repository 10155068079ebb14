"""Where the time of one job goes, stage by stage: cold (the first job of a process) and warm.

    python tests/bench/stages.py [--runs 5] [--seconds 210]

Processor seconds of each stage in its own thread, without the stages inside it; some of them run beside the
others in a second thread (`analyzers.pipeline`, `daemon.pipeline.render`). Start-up and imports belong to a
process, not to a job: they are measured in RUNS processes. The last column is the wall time of the warm jobs,
where fsync waits for the disk.
"""

from __future__ import annotations

import argparse
import functools
import importlib
import json
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench_kit import facts, make_beat, middle, run, spread, table, workplace

IMPORTED = (
    "daemon.decode.decoder",
    "analyzers.pipeline",
    "daemon.pipeline.render",
    "daemon.pipeline.job",
    "daemon.pipeline.durable",
    "daemon.pipeline.versions",
)
STAGES = {  # in the order of a job
    "hash": "daemon.decode.safeopen:_hash_in_place",
    "decode": "daemon.decode.decoder:decode",
    "lead-in": "analyzers.pipeline:find_lead_in",
    "peaks": "analyzers.signal.features:measure_peaks",
    "loudness": "analyzers.pipeline:measure_loudness",
    "spectrum": "analyzers.signal.features:Spectrum",
    "onsets": "analyzers.signal.features:find_onsets",
    "grid": "analyzers.pipeline:find_grid",
    "tuning": "analyzers.pipeline:find_tuning",
    "key": "analyzers.pipeline:find_key",
    "chords": "analyzers.pipeline:find_chords",
    "sections": "analyzers.pipeline:find_sections",
    "faults": "analyzers.pipeline:find_faults",
    "fingerprint": "analyzers.structure.fingerprint:fingerprint",
    "earlier versions": "daemon.pipeline.versions:find_version",
    "copy": "daemon.pipeline.render:write_copy",
    "score": "daemon.pipeline.render:make_score",
    "MIDI map": "daemon.pipeline.render:write_map",
    "guide": "daemon.pipeline.render:write_guide",
    "click check": "daemon.pipeline.render:write_click_check",
    "report": "daemon.pipeline.render:build_report",
    "session files": "daemon.pipeline.render:write_session",
    "card": "daemon.pipeline.render:card",
    "waveform": "daemon.pipeline.render:waveform_of",
    "page": "daemon.pipeline.render:render_page",
    "fsync": "daemon.pipeline.durable:sync_tree",
}
REST = "all else"
Times = dict[str, list[float]]  # stage -> processor seconds, wall seconds


def measured(function: Callable[..., Any], stage: str, times: Times) -> Callable[..., Any]:
    """The function, noting what it takes beyond the stages inside it in the same thread."""
    inside = measured.__dict__.setdefault("inside", threading.local())

    @functools.wraps(function)
    def timed(*arguments: Any, **named: Any) -> Any:
        outer = getattr(inside, "spent", [0.0, 0.0])
        inside.spent = [0.0, 0.0]
        begin = (time.thread_time(), time.perf_counter())
        try:
            return function(*arguments, **named)
        finally:
            took = [time.thread_time() - begin[0], time.perf_counter() - begin[1]]
            own = times.setdefault(stage, [0.0, 0.0])
            for k in range(2):
                own[k] += took[k] - inside.spent[k]
                outer[k] += took[k]
            inside.spent = outer

    return timed


def jobs(path: Path, runs: int) -> None:
    """In a process of its own: print what the imports and each job took, as JSON."""
    begin = time.process_time()
    for name in IMPORTED:
        importlib.import_module(name)
    imported, times = time.process_time() - begin, Times()
    for stage, place in STAGES.items():
        module, _, name = place.partition(":")
        owner = importlib.import_module(module)
        setattr(owner, name, measured(getattr(owner, name), stage, times))
    print(json.dumps({"import": imported, "jobs": [job(path, times) for _ in range(runs)]}))


def job(path: Path, times: Times) -> Times:
    from config.settings import Settings
    from daemon.pipeline.durable import run_durably
    from daemon.pipeline.job import JobRequest

    times.clear()
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        places = {name: Path(folder) / name for name in ("incoming", "ready", "rejected", "state", "staging")}
        for place in places.values():
            place.mkdir()
        staging = places.pop("staging")
        request = JobRequest(path, staging, Settings.model_validate({"folders": places}))
        begin = (time.process_time(), time.perf_counter())
        run_durably("daemon.pipeline.job:run_job", request, lambda _stage: None)
        took = (time.process_time() - begin[0], time.perf_counter() - begin[1])
    known = [sum(own[k] for own in times.values()) for k in range(2)]
    return {**times, REST: [took[0] - known[0], 0.0], "": list(took)}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=210.0)
    parser.add_argument("--jobs-of", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.jobs_of:
        jobs(chosen.jobs_of, chosen.runs)
        return
    with workplace() as work:
        beat = make_beat(work / "beat.wav", chosen.seconds)
        bare = [run([sys.executable, "-c", "pass"]).cpu_s for _ in range(chosen.runs)]
        command = [sys.executable, Path(__file__), "--jobs-of", beat, "--runs"]
        ended = [json.loads(run([*command, "2"]).output) for _ in range(chosen.runs - 1)]
        ended.append(json.loads(run([*command, str(chosen.runs + 1)]).output))
    print(f"## Stages of a job, {chosen.seconds:g} s of stereo at 44.1 kHz, processor seconds\n")
    none = ["", "", "", ""]
    rows: list[list[object]] = [
        ["start-up of Python", middle(bare), *none],
        ["imports", middle([one["import"] for one in ended]), *none],
    ]
    warm = ended[-1]["jobs"][1:]
    for stage in (*STAGES, REST, ""):
        cold = middle([one["jobs"][0].get(stage, [0.0])[0] for one in ended])
        processor, wall = zip(*(one.get(stage, [0.0, 0.0]) for one in warm), strict=True)
        words = stage or "the whole job"
        rows.append([words, cold, *spread(processor), "" if stage == REST else middle(wall)])
    table(["stage", "cold", "warm: least", "median", "most", "wall, median"], rows)
    print(facts())


if __name__ == "__main__":
    main()
