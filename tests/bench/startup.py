"""Time to the first word: commands that a person waits for, and what each of them imports.

    python tests/bench/startup.py [--runs 7]

Whole processes, medians, wall and processor seconds (target for `status` and `--help`: 0.3 s), and the
heavy libraries that were loaded on the way (target: none).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from bench_kit import facts, make_beat, middle, run, table, workplace, write_config

HEAVY = (
    "numpy",
    "scipy",
    "soxr",
    "soundfile",
    "librosa",
    "numba",
    "sklearn",
    "rich",
    "jinja2",
    "distributed",
)
LOADED = """
import sys
from daemon.cli import main
sys.argv[0] = "beatintake"
try:
    code = main(sys.argv[1:])
except SystemExit:
    pass
print("\\nLOADED", *[name for name in %r if name in sys.modules])
"""


def commands(config: Path, beat: Path) -> list[tuple[str, list[str]]]:
    base = ["--config", str(config)]
    return [
        ("--help", ["--help"]),
        ("--version", ["--version"]),
        ("status", [*base, "status"]),
        ("status --json", [*base, "status", "--json"]),
        ("check-config", [*base, "check-config"]),
        ("pause, resume", [*base, "pause"]),
        ("analyse (1 s of audio)", [*base, "analyse", str(beat), "--json"]),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    rows = []
    with workplace() as work:
        config = write_config(work)
        beat = make_beat(work / "incoming" / "one.wav", 1.0)
        for words, arguments in commands(config, beat):
            command = [sys.executable, "-m", "daemon.cli", *arguments]
            ended = [run(command, QUIET="1") for _ in range(runs)]
            text = run([sys.executable, "-c", LOADED % (HEAVY,), *arguments], QUIET="1").output
            loaded = next(line for line in text.splitlines() if line.startswith("LOADED"))[7:]
            wall, cpu = (middle([getattr(one, name) for one in ended]) for name in ("wall_s", "cpu_s"))
            rows.append([words, wall, cpu, loaded or "none"])
        bare = [run([sys.executable, "-c", "pass"]) for _ in range(runs)]
        rows.append(["(python alone)", middle([b.wall_s for b in bare]), middle([b.cpu_s for b in bare]), ""])
    table(["command", "wall s", "processor s", "heavy libraries loaded"], rows)
    print(facts())


if __name__ == "__main__":
    main()
