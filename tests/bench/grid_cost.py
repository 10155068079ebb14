"""What an analysis costs beside another commit's, for a beat that moves and one that does not.

    python tests/bench/grid_cost.py OTHER PLAIN MOVING [--runs 5]

OTHER is a checkout of the other commit; PLAIN and MOVING are audio files. Each run is a process of its own
that analyses the file twice and tells the processor time (user and system) of the second time; checkouts and
files take turns. Prints the least of the runs (what other programs add is no cost of ours), this checkout
over OTHER, and MOVING over PLAIN for each minute of audio. "constant": whether the tempo that was found is.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parents[2]
MEASURED = """
import json, sys, time
import soundfile
from analyzers.pipeline import analyse
from analyzers.signal.samples import Signal
samples, rate = soundfile.read(sys.argv[1], dtype="float32", always_2d=True)
signal = Signal(samples, rate)
analyse(signal)
begin = time.process_time()
analysis = analyse(signal)
whole = time.process_time() - begin
minutes = len(samples) / rate / 60
print(json.dumps([whole, minutes, analysis.grid.constant_tempo]))
"""


def once(checkout: Path, audio: Path) -> list[float]:
    """Processor seconds of the analysis, minutes of audio, whether the tempo is constant."""
    environment = os.environ | {
        "PYTHONPATH": str(checkout),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    command = [sys.executable, "-c", MEASURED, str(audio)]
    ended = subprocess.run(command, env=environment, cwd=checkout, capture_output=True, text=True, check=True)
    found: list[float] = json.loads(ended.stdout)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("other", type=Path)
    parser.add_argument("plain", type=Path)
    parser.add_argument("moving", type=Path)
    parser.add_argument("--runs", type=int, default=5)
    a = parser.parse_args()
    kinds = {"plain": a.plain.resolve(), "moving": a.moving.resolve()}
    checkouts = {"this": HERE, "other": a.other.resolve()}
    runs: dict[tuple[str, str], list[list[float]]] = {(c, k): [] for k in kinds for c in checkouts}
    for _ in range(a.runs):
        for checkout, kind in runs:
            runs[checkout, kind].append(once(checkouts[checkout], kinds[kind]))
    cost = {key: min(r[0] for r in found) for key, found in runs.items()}
    for checkout, kind in runs:
        seconds, minutes, steady = cost[checkout, kind], *runs[checkout, kind][0][1:]
        print(f"{kind:<7}{checkout:<6}{seconds:.3f} s for {minutes:.2f} min (constant: {steady})")
    for kind in kinds:
        print(f"{kind}: this / other {cost['this', kind] / cost['other', kind]:.2f}")
    plain, moving = (cost["this", kind] / runs["this", kind][0][1] for kind in kinds)
    print(f"moving / plain for each minute: {moving / plain:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
