"""Key on composed music: every four-part chorale that music21 brings, played by plain tones.

    python -m tests.accuracy.key_chorales [--count N] [--failures]

Prints the share in the written key, the MIREX weighted score (mir_eval), the mean confidence and the
expected calibration error in ten bins.
"""

from __future__ import annotations

import argparse
from itertools import islice

import mir_eval
import numpy as np

from tests.accuracy.harmony import NOTE_NAMES, calibration_error
from tests.analyzers.chorale_kit import chorales, heard, key_of


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int)
    parser.add_argument("--failures", action="store_true", help="list what went wrong")
    args = parser.parse_args()
    belief, scores = [], []
    for name, home, wave in islice(chorales(), args.count):
        key = key_of(wave)
        found = heard(key)
        belief.append((key.confidence, float(found == home)))
        pair = [f"{NOTE_NAMES[pc]} {mode}" for pc, mode in (home, found or home)]
        scores.append(mir_eval.key.weighted_score(*pair) if found else 0.0)
        if found != home and args.failures:
            print(f"{name} {pair[0]} read {pair[1] if found else 'no key'} {key.confidence:.2f}")
    sure, right = np.mean(belief, axis=0)
    print(f"{len(belief)} chorales: exact {right:.3f}, MIREX {np.mean(scores):.3f}, ", end="")
    print(f"mean confidence {sure:.3f}, calibration error {calibration_error(belief):.3f}")


if __name__ == "__main__":
    main()
