"""The marks that the accuracy gate holds: generated beats, never trained on, through the whole analysis.

    python -m tests.accuracy.gate

prints them; `test_gate.py` beside it says what each must be. Beats are drawn as `demo.corpus` draws them,
with every hardship that it knows; seeds from 100000 on are kept for checking.
"""

from __future__ import annotations

import sys
import warnings

import mir_eval
import numpy as np

from analyzers.model import Analysis, Chord
from analyzers.pipeline import analyse
from analyzers.signal.samples import Signal
from demo.render import render
from demo.spec import random_spec
from demo.truth import Truth
from tests.accuracy.grid import calibration_error, measure
from tests.accuracy.harmony import (
    Tally,
    harte,
    mark_changes,
    mark_chords,
    mark_key,
    mark_sections,
    mark_tuning,
)

SEEDS = range(100_000, 100_032)
NEW_KEY_EVERY = 5  # so many of them change their key
LENGTH_S = 36.0

Row = dict[str, float]


def heard(seed: int) -> tuple[Truth, Analysis]:
    """One beat's truth, and what the analysis says."""
    samples, truth = render(random_spec(seed, length_s=LENGTH_S, new_key=seed % NEW_KEY_EVERY == 0))
    return truth, analyse(Signal(np.asarray(samples, np.float32), truth.samplerate))


def chord_belief(truth: Truth, chords: tuple[Chord, ...]) -> list[tuple[float, float]]:
    """(confidence, 1 when root and third are right) of what sounds in the middle of each true chord."""
    out = []
    for start, end, label in truth.chords:
        given = [c for c in chords if c.start_s <= (start + end) / 2 < c.end_s]
        if given and label != "N":
            right = float(mir_eval.chord.majmin([harte(label)], [harte(given[0].label)])[0])
            if right >= 0:  # the measure leaves chords out that are neither major nor minor
                out.append((given[0].confidence, right))
    return out


def marks() -> dict[str, float]:
    """Every figure of the gate, by name."""
    warnings.filterwarnings("ignore", module="mir_eval")
    tally, grids, harmony = Tally(), [], []
    chord_sure: list[tuple[float, float]] = []
    for seed in SEEDS:
        truth, found = heard(seed)
        row = truth.as_row(str(seed))
        grids.append(measure(row, found.grid))
        harmony.append(
            mark_tuning(row, found.tuning, tally)
            | mark_key(row, found.key, tally)
            | mark_chords(row, found.chords, tally)
            | mark_sections(row, found.sections, tally)
        )
        mark_changes(row, found.key, tally)
        chord_sure += chord_belief(truth, found.chords)
    return grid_marks(grids) | harmony_marks(harmony, tally) | belief_marks(grids, tally, chord_sure)


def of(rows: list[Row], name: str) -> np.ndarray:
    return np.array([row[name] for row in rows if name in row])


def grid_marks(rows: list[Row]) -> dict[str, float]:
    on_line = np.abs(of(rows, "bar_ms"))
    on_line = on_line[on_line <= 70]  # on the wrong beat is counted by "bar line on its beat"
    drift = np.abs(of(rows, "drift_ms"))
    return {
        "tempo at its level": of(rows, "level").mean(),
        "tempo up to the octave": of(rows, "octave").mean(),
        "constant or not": of(rows, "const").mean(),
        "meter": of(rows, "meter").mean(),
        "beat F": of(rows, "F").mean(),
        "bar line on its beat": of(rows, "bar70").mean(),
        "bar line within 5 ms": of(rows, "bar5").mean(),
        "bar one": of(rows, "one70").mean(),
        "tempo found where none is": of(rows, "false").sum(),
        "bar line, median ms": float(np.median(on_line)),
        "bar line, signed mean ms": float(np.mean([e for e in of(rows, "bar_ms") if abs(e) <= 10])),
        "drift at the last beat, median ms": float(np.median(drift)),
        "drift at the last beat, 90th percentile ms": float(np.percentile(drift, 90)),
    }


def harmony_marks(rows: list[Row], tally: Tally) -> dict[str, float]:
    seconds = of(rows, "chord_s")
    chords = {
        f"chords: {name}": float(np.average(of(rows, name), weights=seconds))
        for name in ("root", "majmin", "sevenths")
    }
    return {
        "key": of(rows, "exact").mean(),
        "key, MIREX": of(rows, "mirex").mean(),
        "key changes found": tally.changes_found / max(tally.changes, 1),
        "key changes too many": float(tally.changes_false),
        "sure of a key where none is": float(tally.no_key_above_half),
        **chords,
        "sections, boundaries at 3 s": of(rows, "section_f").mean(),
        "tuning, median cents": float(np.median(of(rows, "cents"))),
        "tuning, 90th percentile cents": float(np.percentile(of(rows, "cents"), 90)),
    }


def belief_marks(grids: list[Row], tally: Tally, chords: list[tuple[float, float]]) -> dict[str, float]:
    """Calibration error, and how far all confidences together lie above what is right."""
    belief = {
        "tempo": [(row["_tempo"], row["level"]) for row in grids if "_tempo" in row],
        "bar one": [(row["_bar"], row["bar70"]) for row in grids if "_bar" in row],
        "key": tally.belief,
        "chords": chords,
    }
    out = {}
    for name, pairs in belief.items():
        sure, right = np.array(pairs).T
        out[f"{name}: calibration error"] = calibration_error(pairs)
        out[f"{name}: too sure by"] = float((sure - right).mean())
        out[f"{name}: Brier score"] = float(((sure - right) ** 2).mean())
    return out


def main() -> int:
    for name, value in marks().items():
        print(f"{name:<45}{value:8.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
