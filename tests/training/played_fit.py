"""Fit whether pulses followed from attack to attack are a beat: `calibrate_played_beat` of grid.npz.

    python -m tests.training.played_fit WEIGHTS.npz CORPUS...

CORPUS folders are made by `played.py` (with --origin none among them). The shipped ones: 600 excerpts from
seed 1000 and 60 of origin none from seed 3000, two soundfonts, as `played.py` was before it drew harmony by
genre; also 40 ambient beats of the generator and 40 signals of noise and drones, which it does not make:
fitting anew gives slightly other numbers. They were fitted with `LOOSE` at 0.36. The other confidences:
`confidence_fit.py`.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

from analyzers.rhythm import meter
from analyzers.rhythm.grid import LOOSE
from analyzers.rhythm.played import track
from analyzers.rhythm.pulse import find_pulse
from analyzers.signal.features import Features
from tests.accuracy.grid import load_signal
from tests.training.grid_calibrate import fit


def example(features: Features) -> np.ndarray | None:
    """Evidence of one excerpt; None when its pulse would not be followed."""
    pulse = find_pulse(features.onsets)
    if pulse is None or pulse.evidence[1] + max(pulse.evidence[2], 0.0) > LOOSE:
        return None
    found = track(features.onsets)
    if found is None:
        return None
    return meter.played_evidence(found.support, found.contrast, found.turning, pulse.evidence)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("corpus", type=Path, nargs="+")
    a = parser.parse_args()
    items = []
    for folder in a.corpus:
        for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
            truth = json.loads(line)
            if truth["category"] != "sequence" and (truth["tempo_bpm"] is None or len(truth["beats"]) >= 12):
                evidence = example(Features(load_signal(folder / truth["file"])))
                if evidence is not None:
                    items.append((evidence, truth["tempo_bpm"] is not None))
    with np.load(a.weights) as z:
        arrays = {k: z[k] for k in z.files}
    x, y = np.array([e for e, _ in items]), np.array([b for _, b in items], float)
    arrays["calibrate_played_beat"] = fit("beat", x, y)
    np.savez_compressed(a.weights, **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main())
