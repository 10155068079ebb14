"""Accuracy of tuning, key, key changes, chords and sections on labelled corpora, a table per category.

    python tests/accuracy/harmony.py CORPUS [CORPUS...] [--truth-grid] [--failures] [--only TEXT]

A corpus is a folder with audio (or folders of stems) and `truth.jsonl`; its fields: `file`, `category`,
`key_ok` (accepted keys, empty: none exists), `key_changes` [[s, tonic, mode]], `tuning_cents`, `chords`
[[start, end, label]], `sections` [[name, start, end]], `beats` [[s, 1 if downbeat]], `beats_per_bar`.
With --truth-grid the labelled beats replace the grid that the service finds.

Measures: MIREX key weights 1 / .5 / .3 / .2 (mir_eval 0.8: the fifth above counts; in brackets either
way, as the MIREX page has it); chords: weighted overlap of root, major/minor and sevenths (mir_eval.chord);
sections: boundary F at 3 s with and without the ends (mir_eval.segment); tuning: absolute cents; key
changes within one bar; keys said with .8 or more that are right; expected calibration error in ten bins
(Guo et al., ICML 2017).
"""

from __future__ import annotations

import argparse
import json
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np

from analyzers.harmony.chords import find_chords
from analyzers.harmony.key import find_key
from analyzers.harmony.spelling import pitch_class_of
from analyzers.harmony.tuning import find_tuning
from analyzers.level.silence import find_lead_in
from analyzers.model import Chord, Grid, Key, Section, Tuning
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from analyzers.structure.sections import find_sections
from config.settings import Settings
from daemon.decode.decoder import decode

HARTE = {"": "maj", "m": "min", "7": "7", "maj7": "maj7", "m7": "min7", "sus4": "sus4", "sus2": "sus2",
         "dim": "dim", "aug": "aug"}  # fmt: skip
NOTE_NAMES = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
PLAIN = {"dorian": "minor", "phrygian": "minor", "mixolydian": "major", "harmonic minor": "minor"}
SURE = 0.8
Marks = dict[str, float]


@dataclass
class Tally:
    marks: list[tuple[Any, Marks]] = field(default_factory=list)
    belief: list[tuple[float, float]] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    no_key_above_half: int = 0
    no_key: int = 0
    hours: float = 0.0
    changes: int = 0
    changes_found: int = 0
    changes_false: int = 0


def truth_grid(row: dict[str, Any]) -> Grid:
    beats = row.get("beats") or []
    if not beats:
        return Grid(None, 0, (), None, 0, None, 0, None, None, 0, 0, (), (), (), None, "none")
    times, down = tuple(b[0] for b in beats), tuple(bool(b[1]) for b in beats)
    curve = ((0.0, row["tempo_bpm"]),)
    return Grid(row["tempo_bpm"], 1, (), row["constant_tempo"], 1, row["meter"], 1, row["beats_per_bar"],
                row["first_downbeat_s"], 1, 0, times, down, curve, None)  # fmt: skip


def key_pair(name: str) -> tuple[int, str]:
    """'C sharp dorian' -> (1, 'minor'): tonic and third; all kinds of a key together are as sure."""
    for mode in ("harmonic minor", "major", "minor", "dorian", "phrygian", "mixolydian"):
        if name.endswith(mode):
            return pitch_class_of(name[: -len(mode)].strip()), PLAIN.get(mode, mode)
    raise ValueError(f"unknown key {name!r}")


def mirex(truth: tuple[int, str], found: tuple[int, str], *, either_fifth: bool) -> float:
    names = [f"{NOTE_NAMES[pc]} {mode}" for pc, mode in (truth, found)]
    score = float(mir_eval.key.weighted_score(*names))
    if either_fifth and score == 0 and truth[1] == found[1] and (truth[0] - found[0]) % 12 == 7:
        return 0.5
    return score


def mark_key(row: dict[str, Any], key: Key, tally: Tally) -> Marks:
    accepted = row.get("key_ok") or (
        [f"{row['key_tonic']} {row['key_mode']}"] if row.get("key_tonic") else []
    )
    found = None if key.tonic is None or key.mode is None else key_pair(f"{key.tonic} {key.mode}")
    if not accepted:
        tally.no_key += 1
        tally.no_key_above_half += found is not None and key.confidence > 0.5
        return {}
    pairs = [key_pair(name) for name in accepted]
    right = float(found in pairs)
    if found is not None:
        kinds = [c.probability for c in key.alternatives if key_pair(f"{c.tonic} {c.mode}") == found]
        tally.belief.append((max(key.confidence, sum(kinds)), right))
    if not right:
        tally.failures.append(
            f"{row['file']} key {accepted} read {key.tonic} {key.mode} {key.confidence:.2f}"
        )
    scores = [[mirex(p, found, either_fifth=e) if found else 0.0 for p in pairs] for e in (False, True)]
    return {"exact": right, "mirex": max(scores[0]), "mirex2": max(scores[1])}


def mark_changes(row: dict[str, Any], key: Key, tally: Tally) -> None:
    wanted = [(c[0], key_pair(f"{c[1]} {c[2]}")) for c in row.get("key_changes") or []]
    given = [(c.at_s, key_pair(f"{c.tonic} {c.mode}")) for c in key.changes]
    tally.hours += row["duration_s"] / 3600
    tally.changes += len(wanted)
    if not row.get("beats"):
        tally.changes_false += len(given)
        return
    down = [b[0] for b in row["beats"] if b[1]]
    bar = float(np.median(np.diff(down)))
    hits = sum(any(abs(at - t) <= bar * 1.05 for t, _ in given) for at, _ in wanted)
    tally.changes_found += hits
    tally.changes_false += len(given) - hits
    if wanted or given:
        tally.failures.append(f"{row['file']} key changes {wanted} read {given} (bar {bar:.2f} s)")


def mark_tuning(row: dict[str, Any], tuning: Tuning, tally: Tally) -> Marks:
    if row.get("tuning_cents") is None or not (row.get("key_ok") or row.get("key_tonic")):
        return {}
    if tuning.cents is None:
        return {"cents": 50.0}
    off = abs((tuning.cents - row["tuning_cents"] + 50) % 100 - 50)
    if off > 3:
        tally.failures.append(f"{row['file']} tuning {row['tuning_cents']} read {tuning.cents}")
    return {"cents": off}


def harte(label: str) -> str:
    if label == "N":
        return "N"
    root = label[0] + label[1:][: len(label[1:]) - len(label[1:].lstrip("b#"))]
    return f"{root}:{HARTE[label[len(root) :]]}"


def mark_chords(row: dict[str, Any], chords: tuple[Chord, ...], tally: Tally) -> Marks:
    wanted = [c for c in row.get("chords") or [] if c[1] - c[0] > 1e-6]
    if not wanted or not chords:
        return {}
    truth = np.array([[c[0], c[1]] for c in wanted])
    names = [harte(c[2]) for c in wanted]
    found, labels = mir_eval.util.adjust_intervals(
        np.array([[c.start_s, c.end_s] for c in chords]), [harte(c.label) for c in chords],
        truth.min(), truth.max(), "N", "N",
    )  # fmt: skip
    spans, one, two = mir_eval.util.merge_labeled_intervals(truth, names, found, labels)
    seconds = mir_eval.util.intervals_to_durations(spans)
    compare: dict[str, Callable[..., Any]] = {
        "root": mir_eval.chord.root, "majmin": mir_eval.chord.majmin, "sevenths": mir_eval.chord.sevenths,
    }  # fmt: skip
    out = {k: float(mir_eval.chord.weighted_accuracy(f(one, two), seconds)) for k, f in compare.items()}
    if out["majmin"] < 0.7:
        tally.failures.append(f"{row['file']} chords majmin {out['majmin']:.2f} root {out['root']:.2f}")
    return {**out, "chord_s": float(seconds.sum())}


def mark_sections(row: dict[str, Any], sections: tuple[Section, ...], tally: Tally) -> Marks:
    wanted = row.get("sections") or []
    if not wanted or not sections:
        return {}
    truth = np.array([s[1:] if isinstance(s[0], str) else s[:2] for s in wanted], dtype=float)
    found, _ = mir_eval.util.adjust_intervals(
        np.array([[s.start_s, s.end_s] for s in sections]), t_min=truth[0, 0], t_max=truth[-1, 1]
    )
    found = found[np.diff(found, axis=1)[:, 0] > 1e-6]
    inner, ends = (
        mir_eval.segment.detection(truth, found, window=3.0, trim=trim)[2] for trim in (True, False)
    )
    if inner < 0.5:
        edges = [[round(float(x), 1) for x in i[:, 0]] for i in (truth, found)]
        tally.failures.append(f"{row['file']} sections F {inner:.2f} at {edges[0]} read {edges[1]}")
    return {"section_f": float(inner), "section_f_ends": float(ends)}


def analyse_row(folder: Path, row: dict[str, Any], tally: Tally, *, use_truth: bool) -> None:
    features = Features(decode(folder / row["file"], limits=Settings().limits).signal)
    grid = truth_grid(row) if use_truth else find_grid(features, find_lead_in(features))
    begin = time.process_time()
    tuning = find_tuning(features)
    key = find_key(features, tuning, grid)
    chords = find_chords(features, tuning, grid, key)
    sections = find_sections(features, tuning, grid)
    spent = time.process_time() - begin
    marks = {"cpu_s_per_min": spent / row["duration_s"] * 60}
    marks |= mark_tuning(row, tuning, tally) | mark_key(row, key, tally)
    marks |= mark_chords(row, chords, tally) | mark_sections(row, sections, tally)
    mark_changes(row, key, tally)
    tally.marks.append((row.get("category", 0), marks))


def calibration_error(belief: list[tuple[float, float]], bins: int = 10) -> float:
    sure, right = np.array(belief).T
    cell = np.minimum((sure * bins).astype(int), bins - 1)
    return float(
        sum(abs(sure[cell == b].mean() - right[cell == b].mean()) * np.mean(cell == b) for b in set(cell))
    )


def print_table(tally: Tally) -> None:
    columns = (
        "exact",
        "mirex",
        "mirex2",
        "root",
        "majmin",
        "sevenths",
        "section_f",
        "section_f_ends",
        "cents",
    )
    print(
        f"{'category':<10}{'n':>4}"
        + "".join(f"{c:>15}" for c in columns)
        + f"{'cents p95':>11}{'cpu s/min':>11}"
    )
    groups = sorted({str(c) for c, _ in tally.marks}, key=lambda c: (len(c), c))
    for name in [*groups, "all"]:
        rows = [m for c, m in tally.marks if name in (str(c), "all")]
        line = f"{name:<10}{len(rows):>4}"
        for column in columns:
            values = np.array([m[column] for m in rows if column in m])
            weights = None
            if column in ("root", "majmin", "sevenths"):
                weights = np.array([m["chord_s"] for m in rows if column in m])
            middle = np.median(values) if column == "cents" and len(values) else None
            value = (
                middle
                if middle is not None
                else np.average(values, weights=weights)
                if len(values)
                else np.nan
            )
            line += f"{value:>15.3f}"
        cents = [m["cents"] for m in rows if "cents" in m] or [np.nan]
        line += f"{np.percentile(cents, 95):>11.2f}{np.mean([m['cpu_s_per_min'] for m in rows]):>11.3f}"
        print(line)
    print(f"key changes: {tally.changes_found} of {tally.changes} found within a bar,", end=" ")
    print(f"{tally.changes_false} false in {tally.hours:.2f} h", end="; ")
    print(f"no key: {tally.no_key_above_half} of {tally.no_key} read with confidence above .5", end="; ")
    if tally.belief:
        sure = [right for said, right in tally.belief if said >= SURE]
        print(
            f"keys said with {SURE} or more: {np.mean(sure or [np.nan]):.3f} of {len(sure)} right", end="; "
        )
        print(f"key calibration error {calibration_error(tally.belief):.3f} (n={len(tally.belief)})")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("corpora", nargs="+", type=Path)
    parser.add_argument("--truth-grid", action="store_true", help="use the labelled beats")
    parser.add_argument("--failures", action="store_true", help="list what went wrong")
    parser.add_argument("--only", default="", help="files whose name contains this")
    args = parser.parse_args()
    warnings.filterwarnings("ignore", module="mir_eval")
    both = Tally()
    for folder in args.corpora:
        tally = Tally()
        lines = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
        for row in (json.loads(line) for line in lines if line.strip()):
            if args.only in row["file"]:
                analyse_row(folder, row, tally, use_truth=args.truth_grid)
        print(f"\n{folder.name}" + (" (truth grid)" if args.truth_grid else ""))
        print_table(tally)
        if args.failures:
            print("\n".join(tally.failures))
        both.belief += tally.belief
    if len(args.corpora) > 1 and both.belief:
        error = calibration_error(both.belief)
        print(f"\nall corpora: key calibration error {error:.3f} (n={len(both.belief)})")


if __name__ == "__main__":
    main()
