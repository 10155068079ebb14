"""Write a labelled corpus: ``python -m demo.corpus OUT --count N --seed S``.

Makes OUT/b00000.flac ... and OUT/truth.jsonl. Files that exist with the same seed are overwritten with
the same bytes: a beat depends on its seed alone.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import soundfile

from demo.render import render
from demo.spec import random_spec


def write_one(out: Path, seed: int, wishes: dict[str, Any]) -> dict[str, Any]:
    samples, truth = render(random_spec(seed, **wishes))
    name = f"b{seed:06d}.flac"
    soundfile.write(out / name, samples, truth.samplerate, subtype="PCM_24" if seed % 3 == 0 else "PCM_16")
    return truth.as_row(name)


def main(argv: list[str] | None = None) -> int:
    p = argparse.ArgumentParser(prog="python -m demo.corpus", description=__doc__)
    p.add_argument("out", type=Path)
    p.add_argument("--count", type=int, default=20)
    p.add_argument("--seed", type=int, default=0, help="seed of the first beat; the others follow")
    p.add_argument("--jobs", type=int, default=1)
    p.add_argument("--kind", choices=("beat", "song", "drums", "ambient"))
    p.add_argument("--style")
    p.add_argument("--length", type=float, help="about this many seconds each")
    p.add_argument("--new-key", action="store_true", help="beats that change their key")
    a = p.parse_args(argv)
    wishes = {"kind": a.kind, "style": a.style, "length_s": a.length, "new_key": a.new_key}
    a.out.mkdir(parents=True, exist_ok=True)
    seeds = range(a.seed, a.seed + a.count)
    with (a.out / "truth.jsonl").open("w", encoding="utf-8") as truth, ProcessPoolExecutor(a.jobs) as pool:
        jobs = [pool.submit(write_one, a.out, s, wishes) for s in seeds]
        for k, job in enumerate(jobs, 1):
            truth.write(json.dumps(job.result()) + "\n")
            if k % 50 == 0:
                print(f"{k} of {a.count}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
