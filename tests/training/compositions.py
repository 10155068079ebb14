"""Compositions with written meter as plain notes, for `played.py`.

    python tests/training/compositions.py OUT.json.gz [--chorales 120] [--tunes 400]

Reads the scores that music21 carries (in the public domain): chorales, string quartets, piano pieces, songs,
dance tunes (reels, jigs, slip jigs, hornpipes, waltzes). A score whose time signature changes is cut to the
longest stretch under one. Fields: `name`, `family`, `meter`, `bars` (bar lines in quarters), `beat` (quarters
in a beat), `beats` (in a bar), `notes` [[onset in quarters, length, MIDI note, part]], `key` (tonic's pitch
class and scale: what the key signature makes of the last bass note, as editors of tunes and chorales do; null
where the signature changes or the note is no final of a mode that is in use).
"""

from __future__ import annotations

import argparse
import gzip
import json
import random
import sys
from pathlib import Path
from typing import Any

from music21 import corpus, key, stream

BEATS = {  # quarters in a beat, beats in a bar
    "4/4": (1.0, 4), "2/2": (2.0, 2), "2/4": (1.0, 2), "3/4": (1.0, 3), "3/8": (0.5, 3), "6/8": (1.5, 2),
    "12/8": (1.5, 4), "9/8": (1.5, 3), "3/2": (2.0, 3), "4/2": (2.0, 4), "6/4": (3.0, 2),
}  # fmt: skip
ART = ("beethoven", "haydn", "mozart", "joplin", "chopin", "schubert", "schumann_robert", "schumann_clara")
ART += ("corelli", "handel", "verdi", "weber", "cpebach", "beach", "liliuokalani", "johnson_j_r")
FINALS = {0: "major", 9: "minor", 2: "dorian", 7: "mixolydian"}  # above the signature's major tonic
LEAST_BARS = 12
MOST_BARS = 120


def plain(score: stream.Stream, name: str, family: str) -> dict[str, Any] | None:
    """The longest stretch under one time signature; None when there is none to use."""
    parts = list(score.parts) if hasattr(score, "parts") and score.parts else [score]
    measures = list(parts[0].getElementsByClass(stream.Measure))
    if len(measures) < LEAST_BARS:
        return None
    runs: list[tuple[str, float, list[float]]] = []
    meter = None
    for m in measures:
        new = m.timeSignature.ratioString if m.timeSignature else meter
        if new != meter or not runs:
            runs.append((new or "?", float(m.offset), []))
            meter = new
        full = float(m.duration.quarterLength) >= float(m.barDuration.quarterLength) - 1e-6
        if full:
            runs[-1][2].append(float(m.offset))
    meter, start, bars = max(runs, key=lambda r: len(r[2]))
    bars = bars[:MOST_BARS]
    if meter not in BEATS or len(bars) < LEAST_BARS:
        return None
    beat, beats = BEATS[meter]
    end = bars[-1] + beat * beats
    notes = []
    for number, part in enumerate(parts[:6]):
        for item in part.flatten().notes:
            at = float(item.offset)
            if start <= at < end:
                for pitch in item.pitches:
                    notes.append([round(at, 4), round(float(item.quarterLength), 4), int(pitch.midi), number])
    if len(notes) < 2 * len(bars):
        return None
    return {
        "name": name, "family": family, "meter": meter, "bars": bars, "beat": beat, "beats": beats,
        "notes": sorted(notes), "key": _key(score, family),
    }  # fmt: skip


def _key(score: stream.Stream, family: str) -> tuple[int, str] | None:
    """Of chorales and tunes; art music changes its key too often for one answer."""
    signatures = {k.sharps for k in score.recurse().getElementsByClass(key.KeySignature)}
    every = [(float(n.getOffsetInHierarchy(score)), n) for n in score.recurse().notes]
    if family == "art" or len(signatures) != 1 or not every:
        return None
    end = max(at for at, _ in every)
    last = min(p.midi for at, n in every if at >= end - 1e-6 for p in n.pitches)
    home = 7 * signatures.pop() % 12
    mode = FINALS.get((last - home) % 12)
    return None if mode is None else (last % 12, mode)


def names(chorales: int, tunes: int) -> list[tuple[str, str]]:
    """(path, family) of the scores that are read."""
    every = [str(p) for p in corpus.getCorePaths()]

    def inside(folder: str) -> list[str]:
        return sorted(p for p in every if f"/corpus/{folder}/" in p)

    art = [(p, "art") for k in ART for p in inside(k) if not p.endswith(".krn") or k == "chopin"]
    bach = [(p, "chorale") for p in inside("bach")]
    fiddle = inside("ryansMammoth")
    books = [(p, "book") for k in ("oneills1850", "airdsAirs", "essenFolksong") for p in inside(k)]
    step = max(len(bach) // max(chorales, 1), 1), max(len(fiddle) // max(tunes, 1), 1)
    chosen = bach[:: step[0]] + [(p, "tune") for p in fiddle[:: step[1]]] + art + books
    random.Random(1).shuffle(chosen)
    return chosen


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--chorales", type=int, default=120)
    parser.add_argument("--tunes", type=int, default=400)
    a = parser.parse_args()
    found = []
    for path, family in names(a.chorales, a.tunes):
        try:
            whole = corpus.parse(path)
            scores = list(whole.scores)[::4] if hasattr(whole, "scores") and family == "book" else [whole]
            for k, score in enumerate(scores):
                name = "/".join(Path(path).parts[-2:]) + (f"#{k}" if len(scores) > 1 else "")
                piece = plain(score, name, "tune" if family == "book" else family)
                if piece:
                    found.append(piece)
        except Exception as error:  # one odd score must not end the run
            print(f"{path}: {error!r}", file=sys.stderr)
        with gzip.open(a.out, "wt") as stream_:
            json.dump(found, stream_)
    print(len(found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
