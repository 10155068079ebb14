"""Speed and memory of one file, beside what a scripter would write.

    python tests/bench/speed.py [--runs 5] [--seconds 210] [--minutes 1 3.5 10 30 60] [--other-python PYTHON]
                                [--parts warm cold length formats]

warm    processor and wall seconds of the whole job with all outputs in a warm worker, the first by stage,
        too; a librosa + pyloudnorm script for tempo, key, loudness and true peak; essentia and aubio where
        installed (never a dependency; in a separate environment: --other-python); and the floor
cold    whole processes, imports included: `beatintake process FILE` and the script
length  the job on long files (whole bars again and again): processor seconds for each minute, and peak
        memory; a beat whose attacks leave no doubt of a steady pulse at any length
formats the same for the longest of MINUTES in each format (only when asked for: ten minutes)

Tasks alternate, each in a process of its own, numeric libraries in one thread; ratios are those of
neighbours. Wall time shows what a second thread of the job spares (`daemon.pipeline.job.second_thread`). That
may cost processor time (user + system): where two processors are the halves of one core, each is slower while
both work. So the job is measured in one thread, too, as the floor is.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from bench_kit import facts, make_beat, middle, run, spread, table, task, workplace, write_config

WORDS = {
    "ours": "beatintake, everything",
    "one thread": "the same in one thread (a worker for each processor)",
    "script": "script: librosa + pyloudnorm (tempo, key, loudness, true peak)",
    "essentia": "essentia (the same four)",
    "aubio": "aubio (tempo alone)",
    "floor": "floor: decode + one STFT + K-weighting",
}
LEAST_MB, LEAST_HOUR_MB = 220, 1500
PLAIN = 200_022  # seed of a beat far from where a moving pulse is looked for, too
FORMS = (
    ("wav", "PCM_16", 44100),
    ("wav", "PCM_24", 44100),
    ("wav", "FLOAT", 44100),
    ("flac", "PCM_24", 44100),
    ("ogg", "VORBIS", 44100),
    ("mp3", "MPEG_LAYER_III", 44100),
    ("wav", "PCM_24", 96000),
)


def warm(beat: Path, seconds: float, runs: int, other: str) -> None:
    found: dict[str, list[tuple[float, float]]] = {}  # processor and wall seconds, the middle of each process
    stages: dict[str, list[float]] = {}
    peak = 0.0
    for _ in range(runs):
        for name in WORDS:
            python = other if name in ("essentia", "aubio") else sys.executable
            answer = task(name, beat, 1 if name in ("essentia", "aubio") else 3, python=python)
            if answer is None:
                continue
            found.setdefault(name, []).append((middle(answer["cpu_s"]), middle(answer["wall_s"])))
            if name == "ours":
                peak = max(peak, answer["peak_mb"])
                for stage, values in answer["stages"].items():
                    stages.setdefault(stage, []).append(middle(values))
    print(f"## Warm, {seconds:g} s of stereo at 44.1 kHz (target: 1.0 s where the floor is 0.47 s)")
    for at, unit in enumerate(("processor s", "wall s")):
        rows: list[list[object]] = []
        for name, words in WORDS.items():
            values = [one[at] for one in found.get(name, [])]
            to_floor = [value / one[at] for value, one in zip(values, found["floor"], strict=False)]
            rows.append([words, *spread(values), *spread(to_floor)] if values else [words, "not installed"])
        table([f"what, {unit}", "least", "median", "most", "to the floor: least", "median", "most"], rows)
    table(["stage of ours", "processor s"], [[stage, middle(values)] for stage, values in stages.items()])
    print(f"Peak memory of the worker: {peak:.0f} MB (target {LEAST_MB})\n")


def cold(beat: Path, runs: int, work: Path) -> None:
    """Ours and the script in turn; the ratios are those of neighbours."""
    ours, script = [], []
    for number in range(runs):
        config = write_config(work / f"cold-{number}", work={"nice": 0})
        command = [sys.executable, "-m", "daemon.cli", "--config", config, "process", beat]
        ended = run(command)
        assert ended.code == 0, ended.output
        answer = task("script", beat)
        assert answer is not None, "librosa and pyloudnorm are not installed"
        ours.append((ended.cpu_s, ended.wall_s))
        script.append((answer["process_cpu_s"], answer["process_wall_s"]))
    print(f"## Cold: {runs} whole processes in turn, imports included (target: processor ratio 0.40)")
    rows: list[list[object]] = []
    for at, unit in enumerate(("processor s", "wall s")):
        mine, theirs = [one[at] for one in ours], [one[at] for one in script]
        rows += [
            [f"beatintake process FILE, {unit}", *spread(mine)],
            [f"the script, {unit}", *spread(theirs)],
        ]
        ratios = [one / other for one, other in zip(mine, theirs, strict=True)]
        rows.append([f"ratio of neighbours, {unit}", *spread(ratios)])
    table(["what", "least", "median", "most"], rows)


def length(work: Path, minutes: list[float]) -> None:
    print("## Length (targets: a minute of 60 costs 1.05 of one of 3.5; peak memory 220 MB, 1500 MB for 60)")
    rows = []
    for many in minutes:
        beat = make_beat(work / "long.wav", 60 * many, seed=PLAIN)
        answer = task("ours", beat)
        beat.unlink()
        if answer is None:
            rows.append([many, "failed", "", "", ""])
            continue
        cpu = answer["cpu_s"][0]
        rows.append([many, cpu, cpu / many, f"1/{60 * many / cpu:.0f}", f"{answer['peak_mb']:.0f}"])
    table(["minutes", "processor s", "s a minute", "of the duration", "peak MB"], rows)


def formats(work: Path, minutes: float) -> None:
    print(f"## Formats, {minutes:g} minutes of stereo (target: peak memory {LEAST_HOUR_MB} MB for 60)")
    rows = []
    for ending, subtype, rate in FORMS:
        beat = make_beat(work / f"long.{ending}", 60 * minutes, subtype=subtype, rate=rate)
        answer = task("ours", beat)
        beat.unlink()
        found = (answer["cpu_s"][0], f"{answer['peak_mb']:.0f}") if answer else ("failed", "")
        rows.append([f"{ending} {subtype} {rate} Hz", *found])
    table(["format", "processor s", "peak MB"], rows)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=210.0)
    parser.add_argument("--minutes", type=float, nargs="+", default=[1, 3.5, 10, 30, 60])
    parser.add_argument("--other-python", default=sys.executable, metavar="PYTHON")
    parser.add_argument("--parts", nargs="+", default=["warm", "cold", "length"])
    chosen = parser.parse_args()
    with workplace() as work:
        beat = make_beat(work / "beat.wav", chosen.seconds)
        if "warm" in chosen.parts:
            warm(beat, chosen.seconds, chosen.runs, chosen.other_python)
        if "cold" in chosen.parts:
            cold(beat, chosen.runs, work)
        if "length" in chosen.parts:
            length(work, chosen.minutes)
        if "formats" in chosen.parts:
            formats(work, max(chosen.minutes))
    print(facts())


if __name__ == "__main__":
    main()
