"""Accuracy of the grid on labelled corpora, a table per category.

    python tests/accuracy/grid.py CORPUS [CORPUS...] [--predictions FILE] [--failures]

A corpus is a folder with audio (or folders of stems) and `truth.jsonl`; its fields: `file`, `category`,
`tempo_bpm` (null: no steady beat), `tempo_ok`, `beats` [[s, 1 if downbeat]], `beats_per_bar`, `meter`,
`first_downbeat_s`, `drums_in_s`, `constant_tempo`. Measures: tempo within 4 % (Gouyon et al. 2006) with and
without octave errors, drift at the last beat, bar one against true bar lines, beat F at 70 ms (mir_eval),
expected calibration error of the confidences (10 bins), and how many answers came with .8 or more
("sure of"), with the share of them that is right, for each category (the origin where a corpus has several).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import mir_eval
import numpy as np
import soundfile as sf

from analyzers.level.silence import find_lead_in
from analyzers.model import Grid, LeadIn, Options
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal

SURE = 0.8
OCTAVES = (1.0, 2.0, 0.5, 3.0, 1 / 3)


def load_signal(path: Path) -> Signal:
    """A file, or the sum of the files in a folder (one common zero)."""
    parts = (
        [sf.read(p, dtype="float32", always_2d=True) for p in sorted(path.iterdir())] if path.is_dir() else []
    )
    if not parts:
        samples, rate = sf.read(path, dtype="float32", always_2d=True)
        return Signal(samples, rate)
    total = np.zeros((max(len(x) for x, _ in parts), 2), np.float32)
    for x, _ in parts:
        total[: len(x)] += x
    return Signal(total, parts[0][1])


def same_tempo(bpm: float | None, other: float | None, levels: tuple[float, ...] = (1.0,)) -> bool:
    """Within 4 % (Gouyon et al. 2006), or within 4 % of one of these multiples."""
    return bpm is not None and other is not None and any(abs(bpm / other / r - 1) <= 0.04 for r in levels)


def bar_lines(truth: dict) -> np.ndarray:
    """True bar lines, carried on 16 bars before the first and 4 after the last."""
    beats = np.array([b[0] for b in truth["beats"]])
    down = np.array([bool(b[1]) for b in truth["beats"]])
    n = truth.get("beats_per_bar") or 4
    lines = beats[down]
    first, last = (beats[1] - beats[0]) * n, (beats[-1] - beats[-2]) * n
    before = lines[0] - first * np.arange(16, 0, -1)
    return np.concatenate([before, lines, lines[-1] + last * np.arange(1, 5)])


def measure(truth: dict, grid: Grid) -> dict[str, float]:
    """Marks of one item; a mark that does not apply is absent."""
    marks: dict[str, float] = {}
    if truth.get("tempo_bpm") is None:
        return {"false": float(grid.tempo_bpm is not None and grid.tempo_confidence > 0.5)}
    accepted = truth.get("tempo_ok") or [truth["tempo_bpm"]]
    bpm = grid.tempo_bpm
    marks["octave"] = float(any(same_tempo(bpm, a, OCTAVES) for a in accepted))
    marks["level"] = float(any(same_tempo(bpm, a) for a in accepted))
    marks["_tempo"] = grid.tempo_confidence
    if bpm is not None and grid.tempo_confidence >= SURE:
        marks["_sure tempo"] = marks["level"]
    if truth.get("constant_tempo") is not None:
        marks["const"] = float(
            grid.constant_tempo is not None and grid.constant_tempo == truth["constant_tempo"]
        )
    if truth.get("meter"):
        marks["meter"] = float(grid.meter == {"12/8": "4/4"}.get(truth["meter"], truth["meter"]))
    beats = np.array([b[0] for b in truth["beats"]])
    if grid.tempo_bpm is None or grid.bar_one_s is None:
        marks.update(bar5=0.0, bar70=0.0, F=0.0)
        return marks
    lines = bar_lines(truth)
    double = same_tempo(bpm, 2 * truth["tempo_bpm"]) and marks["level"]
    if double and (truth.get("beats_per_bar") or 4) % 2 == 0:
        lines = np.sort(np.concatenate([lines, (lines[1:] + lines[:-1]) / 2]))  # the double reading's bars
    error = (grid.bar_one_s - lines[np.argmin(np.abs(lines - grid.bar_one_s))]) * 1e3
    marks["bar_ms"] = error
    if truth.get("first_downbeat_s") is not None:
        marks["bar5"], marks["bar70"] = float(abs(error) <= 5), float(abs(error) <= 70)
        marks["one70"] = float(abs(grid.bar_one_s - truth["first_downbeat_s"]) <= 0.07)
        marks["_bar"] = grid.bar_one_confidence
        if grid.bar_one_confidence >= SURE:
            marks["_sure bar"] = marks["bar70"]
    if truth.get("constant_tempo") and marks["octave"]:
        ratio = min(OCTAVES, key=lambda r: abs(np.log(bpm / truth["tempo_bpm"] / r)))
        period = 60.0 / bpm * ratio
        extended = beats[0] + np.arange(-64, len(beats) + 64) * (beats[-1] - beats[0]) / (len(beats) - 1)
        k = int(np.argmin(np.abs(extended - grid.bar_one_s)))
        last = grid.bar_one_s + (len(beats) - 1 + 64 - k) * period
        marks["drift_ms"] = (last - beats[-1]) * 1e3
    start = truth.get("drums_in_s") or beats[0]
    reference = beats[beats >= start - 1e-6]
    found = np.array([b for b in grid.beats_s if start - 0.1 <= b <= reference[-1] + 0.1])
    marks["F"] = float(mir_eval.beat.f_measure(reference, found)) if len(found) else 0.0
    return marks


def calibration_error(pairs: list[tuple[float, float]]) -> float:
    """Expected calibration error over ten equal bins (Naeini et al., AAAI 2015)."""
    if not pairs:
        return float("nan")
    p, right = np.array(pairs).T
    bins = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs(p[bins == b].sum() - right[bins == b].sum()) for b in range(10)) / len(p))


COLUMNS = (
    ("octave", "octave", np.mean, ".2f"),
    ("level", "level", np.mean, ".2f"),
    ("drift med", "drift_ms", lambda v: np.median(np.abs(v)), ".2f"),
    ("p95 ms", "drift_ms", lambda v: np.percentile(np.abs(v), 95), ".1f"),
    ("bar<=5ms", "bar5", np.mean, ".2f"),
    ("bar beat", "bar70", np.mean, ".2f"),
    ("bar one", "one70", np.mean, ".2f"),
    ("meter", "meter", np.mean, ".2f"),
    ("const", "const", np.mean, ".2f"),
    ("beat F", "F", np.mean, ".3f"),
    ("false", "false", np.sum, ".0f"),
    ("sure of", "_sure tempo", len, "d"),
    ("tempo", "_sure tempo", np.mean, ".2f"),
    ("sure of", "_sure bar", len, "d"),
    ("bar line", "_sure bar", np.mean, ".2f"),
)


def table(rows: list[tuple[str, dict[str, float]]]) -> str:
    """One line a category, then all."""
    lines = [f"{'category':<10}{'n':>4}" + "".join(f"{c[0]:>10}" for c in COLUMNS)]
    names = sorted({r[0] for r in rows}, key=lambda c: (not c.isdigit(), int(c) if c.isdigit() else 0, c))
    for name in [*names, "all"]:
        marks = [m for c, m in rows if name in (c, "all")]
        cells = []
        for _, key, of, form in COLUMNS:
            values = np.array([m[key] for m in marks if key in m])
            cells.append(f"{format(of(values), form) if len(values) else '-':>10}")
        lines.append(f"{name:<10}{len(marks):>4}" + "".join(cells))
    every = [m for _, m in rows]
    tempo = calibration_error([(m["_tempo"], m["level"]) for m in every if "_tempo" in m])
    bar = calibration_error([(m["_bar"], m["bar70"]) for m in every if "_bar" in m])
    lines.append(f"expected calibration error: tempo {tempo:.3f}, bar one {bar:.3f}")
    return "\n".join(lines)


def predict(truth: dict, folder: Path) -> tuple[Grid, LeadIn, float]:
    """Grid, lead-in and seconds taken for one item."""
    name = truth["file"].removeprefix(folder.name + "/")
    signal = load_signal(folder / name)
    started = time.perf_counter()
    features = Features(signal, Options(lossy=name.endswith((".mp3", ".ogg"))))
    lead_in = find_lead_in(features)
    middle = time.perf_counter()
    grid = find_grid(features, lead_in)
    return grid, lead_in, time.perf_counter() - middle + 0.0 * started


def machine_line(truth: dict, grid: Grid, lead_in: LeadIn) -> dict:
    return {
        "file": truth["file"],
        "tempo_bpm": grid.tempo_bpm,
        "tempo_confidence": grid.tempo_confidence,
        "constant_tempo": grid.constant_tempo,
        "first_downbeat_s": grid.bar_one_s,
        "first_sound_s": lead_in.first_sound_s,
        "beats": [[round(b, 5), int(d)] for b, d in zip(grid.beats_s, grid.downbeats, strict=True)],
    }


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("corpus", type=Path, nargs="+")
    parser.add_argument("--predictions", type=Path, help="write machine lines here")
    parser.add_argument("--failures", action="store_true", help="list every item that misses a mark")
    arguments = parser.parse_args()
    rows, lines, seconds, minutes = [], [], 0.0, 0.0
    for folder in arguments.corpus:
        for text in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
            truth = json.loads(text)
            grid, lead_in, took = predict(truth, folder)
            marks = measure(truth, grid)
            rows.append((str(truth.get("category", "song")), marks))
            lines.append(machine_line(truth, grid, lead_in))
            seconds, minutes = seconds + took, minutes + truth["duration_s"] / 60
            missed = [k for k in ("octave", "level", "const", "bar5", "meter") if marks.get(k) == 0.0]
            if arguments.failures and (missed or marks.get("F", 1.0) < 0.9 or marks.get("false")):
                print(
                    f"{truth['file']:<22}{truth.get('genre', ''):<10} missed {','.join(missed) or '-':<24}"
                    f" true {truth['tempo_bpm']} {truth.get('meter')} found {grid.tempo_bpm} {grid.meter}"
                    f" p {grid.tempo_confidence:.2f} bar {marks.get('bar_ms', float('nan')):.1f} ms"
                    f" p {grid.bar_one_confidence:.2f} F {marks.get('F', float('nan')):.2f}"
                    f" {grid.reason or ''}"
                )
    print(table(rows))
    print(f"{seconds:.1f} s for {minutes:.1f} min of audio: {seconds / minutes * 3.5:.2f} s for 3.5 min")
    if arguments.predictions:
        arguments.predictions.write_text("".join(json.dumps(x) + "\n" for x in lines), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
