"""The copy as it is cut, on labelled corpora: silence before the first hit, hits lost, pickups kept.

    python tests/accuracy/cut.py CORPUS [CORPUS...] [--list]

A corpus is a folder with audio (or folders of stems) and `truth.jsonl` (see `grid.py`), with `first_sound_s`
of the music. Each drop is decoded, its grid found, its cut planned with the defaults and the head of its
copy written. A pickup is music that comes a 32nd note, or 30 ms, before the true bar one; music that comes so
much after it begins with a rest, which is the music's own. Marks:

* silence: the copy's time before the first hit, where no pickup is, less that rest; more than 5 ms is a gap.
  Counted twice: to the first sample of the music, and to the first sample within 60 dB of the peak (a swell
  is heard later);
* hits cut: less than -0.1 dB of the energy of the first hit's first 20 ms in the copy;
* grid: the analysis as it was measured, before any line is moved: bar one against the nearest true bar line
  (within 5 ms; on its beat: within 70 ms). Where the corpus says how loosely it is played (`jitter_ms`, the
  generator's does), tight and loose (from 3 ms) are told apart;
* session: the copy's bar lines against the true ones, where bar one was found to 70 ms; the true beats'
  median against the session's. A first hit beside the line takes all lines of the session with it, by intent:
  what lies farther off than 5 ms for that reason alone is said apart, the grid of those is right.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile as sf
from grid import bar_lines, measure

from analyzers.level.silence import find_lead_in
from analyzers.model import Analysis, Grid, Key, Loudness, Tuning
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from config.settings import Settings
from daemon.decode.decoder import Decoded, decode
from daemon.export.copy import write_copy
from daemon.export.plan import CutPlan
from daemon.export.wavfile import WavNotes
from daemon.pipeline.render import analysis_options, cut_plan

GAP_S, CUT_DB, HIT_S, PICKUP_S = 0.005, -0.1, 0.02, 0.03
NEAR_S = 0.005  # a bar line is met
LOOSE_MS = 3.0


@dataclass(frozen=True, slots=True)
class Cut:
    """What was measured of one copy; seconds. `hit_db`: energy kept of the first hit."""

    name: str
    category: str
    pickup: bool
    rest_s: float  # silence that bar one begins with
    silence_s: float
    heard_s: float
    hit_db: float
    kept: bool  # nothing of the music before bar one is lost
    right_bar: bool
    line_s: float | None  # nearest true bar line to the copy's sample 0, signed
    beats_s: float | None  # median of the true beats against the session's
    plan: CutPlan
    jitter_ms: float | None = None  # how loosely it is played, where the corpus says


def analysed(decoded: Decoded, settings: Settings) -> Analysis:
    """The questions that the cut depends on, answered."""
    features = Features(decoded.signal, analysis_options(decoded.source, settings))
    lead_in = find_lead_in(features)
    peak_db = 20 * math.log10(features.peaks.sample_peak)
    loudness = Loudness(None, None, None, None, None, peak_db, None, ())
    return Analysis(
        decoded.signal.duration_s, decoded.signal.rate, decoded.signal.samples.shape[1], lead_in,
        find_grid(features, lead_in), Tuning(None, None, 0.0),
        Key(None, None, 0.0, (), (), None, None, (), ()), (), (), loudness, (),
    )  # fmt: skip


def written_head(decoded: Decoded, plan: CutPlan, seconds: float, folder: Path) -> np.ndarray:
    """The first samples of the copy as a session reads them, its gain taken out [shape=(n, channels)]."""
    end = min(plan.source_end, plan.source_start + round(seconds * decoded.source.rate))
    path = folder / "copy.wav"
    facts = write_copy(decoded, replace(plan, source_end=end), path, Settings().output, WavNotes())
    samples: np.ndarray = sf.read(path, dtype="float64", always_2d=True)[0]
    return samples * 10 ** (-facts.gain_db / 20)


def energy_kept_db(decoded: Decoded, plan: CutPlan, copy: np.ndarray, hit_s: float) -> float:
    """Energy of the first hit in the copy against the source's."""
    rate = decoded.source.rate
    first = round(hit_s * rate)
    source = decoded.signal.samples[first : first + round(HIT_S * rate)].astype(np.float64)
    at = first - round(plan.zero_s * rate)
    there = copy[max(at, 0) : max(at + len(source), 0)]
    whole = float((source**2).sum())
    return 10 * math.log10(max(float((there**2).sum()), 1e-12 * whole) / whole) if whole else 0.0


def thirty_second(truth: dict) -> float:
    upper, lower = map(int, truth["meter"].split("/"))
    beats = [at for at, _ in truth["beats"]]
    bar = (beats[1] - beats[0]) * truth["beats_per_bar"]
    return bar * lower / (upper * 32)


def session_lines(truth: dict, grid: Grid, plan: CutPlan) -> tuple[float, float]:
    """(nearest true bar line to sample 0, median of the true beats against the session's), signed, s."""
    lines, beats = bar_lines(truth), np.array([at for at, _ in truth["beats"]])
    nearest = lines[np.argmin(np.abs(lines - plan.zero_s))]
    session = np.array(grid.beats_s) + plan.session_shift_s
    off = [at - session[np.argmin(np.abs(session - at))] for at in beats]
    return float(plan.zero_s - nearest), float(np.median(off))


def cut_of(truth: dict, folder: Path, scratch: Path) -> tuple[Cut, Grid]:
    settings = Settings()
    decoded = decode(folder / truth["file"].removeprefix(folder.name + "/"), limits=settings.limits)
    analysis = analysed(decoded, settings)
    plan, grid = cut_plan(analysis, decoded, settings), analysis.grid
    hit, one = truth["first_sound_s"], truth["first_downbeat_s"]
    heard = analysis.lead_in.first_sound_s or 0.0
    copy = written_head(decoded, plan, max(hit - plan.zero_s, 0.0) + 0.1, scratch)
    line, beats = session_lines(truth, grid, plan) if grid.bar_one_s is not None else (None, None)
    hit_db = energy_kept_db(decoded, plan, copy, hit)
    right = grid.bar_one_s is not None and abs(grid.bar_one_s - one) <= 0.07
    least = min(PICKUP_S, thirty_second(truth))
    rest = hit - one if hit - one > least else 0.0
    cut = Cut(
        name=truth["file"],
        category=str(truth.get("category", "song")),
        pickup=one - hit > least,
        rest_s=rest,
        silence_s=hit - rest - plan.zero_s,
        heard_s=max(hit, heard) - rest - plan.zero_s,
        hit_db=hit_db,
        kept=hit_db > CUT_DB and (plan.bars_before_bar_one > 0 or not right),
        right_bar=right,
        line_s=line,
        beats_s=beats,
        plan=plan,
        jitter_ms=truth.get("jitter_ms"),
    )
    return cut, grid


def items(folders: list[Path]) -> Iterator[tuple[dict, Path]]:
    """Every labelled item that has a beat and a first sound."""
    for folder in folders:
        for text in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
            truth = json.loads(text)
            if truth.get("first_downbeat_s") is not None and truth.get("first_sound_s") is not None:
                yield truth, folder


def summary(cuts: list[Cut], marks: list[dict[str, float]]) -> str:
    plain = [c for c in cuts if not c.pickup]
    pickups = [c for c in cuts if c.pickup]
    rests = [c for c in plain if c.rest_s]
    second = [c for c in pickups if c.category == "2"]
    gaps = [c for c in plain if c.silence_s > GAP_S]
    heard = [c for c in plain if c.heard_s > GAP_S]
    right = [c for c in cuts if c.right_bar and c.line_s is not None]
    lines = np.array([c.line_s for c in right])
    beats = np.array([c.beats_s for c in right])
    shifts = np.array([c.plan.session_shift_s for c in right])
    far = np.abs(lines) > NEAR_S
    by_shift = far & (np.abs(lines - shifts) <= NEAR_S)
    return "\n".join(
        [
            f"{len(cuts)} beats, {len(pickups)} with music before bar one",
            f"no pickup, more than 5 ms of silence: {len(gaps)} of {len(plain)}"
            f" ({sum(not c.right_bar for c in gaps)} with a wrong bar one); to what is heard: {len(heard)}",
            f"no pickup, silence of a bar in front: {sum(c.plan.bars_before_bar_one > 0 for c in plain)};"
            f" bar one with a rest: {sum(c.right_bar for c in rests)} right of {len(rests)}",
            f"hits cut: {sum(c.hit_db < CUT_DB for c in cuts)} of {len(cuts)}",
            f"pickups kept: {sum(c.kept for c in pickups)} of {len(pickups)};"
            f" of category 2: {sum(c.kept for c in second)} of {len(second)}",
            *grid_lines(cuts, marks),
            f"session: sample 0 from a true bar line, median {np.median(np.abs(lines)) * 1e3:.2f} ms,"
            f" within 5 ms {1 - far.mean():.3f}, largest {np.abs(lines).max() * 1e3:.1f} ms;"
            f" of {far.sum()} farther off {by_shift.sum()} moved with their first hit",
            f"session: true beats against its lines, median {np.median(beats) * 1e3:+.2f} ms,"
            f" 5th to 95th percentile {np.percentile(beats, 5) * 1e3:+.1f} to"
            f" {np.percentile(beats, 95) * 1e3:+.1f} ms",
            f"lines moved: {int((shifts != 0).sum())} of {len(right)},"
            f" by {np.abs(shifts).mean() * 1e3:.1f} ms on average, {np.abs(shifts).max() * 1e3:.1f} at most",
        ]
    )


def grid_lines(cuts: list[Cut], marks: list[dict[str, float]]) -> list[str]:
    """The grid's figures over all, and where the corpus says how it is played, tight and loose."""
    pairs = list(zip(cuts, marks, strict=True))
    kinds = {
        "grid": [m for _, m in pairs],
        "grid, tight": [m for c, m in pairs if c.jitter_ms is not None and c.jitter_ms < LOOSE_MS],
        "grid, loose": [m for c, m in pairs if c.jitter_ms is not None and c.jitter_ms >= LOOSE_MS],
    }
    return [grid_line(name, rows) for name, rows in kinds.items() if rows]


def grid_line(name: str, marks: list[dict[str, float]]) -> str:
    drift = np.abs([m["drift_ms"] for m in marks if "drift_ms" in m])
    near, on = ([m[key] for m in marks if key in m] for key in ("bar5", "bar70"))
    drifts = f"drift median {np.median(drift):.2f} ms, " if len(drift) else ""
    lines = f"bar line within 5 ms {np.mean(near):.3f}, on its beat {np.mean(on):.3f}"
    return f"{name}: {drifts}{lines} ({len(near)})"


def row(c: Cut, marks: dict[str, float]) -> str:
    return (
        f"{c.name:<22} {'pickup' if c.pickup else '':<7} silence {c.silence_s * 1e3:8.1f} ms"
        f" heard {c.heard_s * 1e3:8.1f} kept {c.hit_db:6.2f} dB"
        f" bar {'right' if c.right_bar else 'WRONG'} line {marks.get('bar_ms', math.nan):8.1f} ms"
        f" | {c.plan.why}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("corpus", type=Path, nargs="+")
    parser.add_argument("--list", action="store_true", help="every copy, not only those with a fault")
    arguments = parser.parse_args()
    cuts, marks = [], []
    with tempfile.TemporaryDirectory() as scratch:
        for truth, folder in items(arguments.corpus):
            cut, grid = cut_of(truth, folder, Path(scratch))
            cuts.append(cut)
            marks.append(measure(truth, grid))
            fault = cut.hit_db < CUT_DB or (not cut.pickup and cut.silence_s > GAP_S)
            fault = fault or marks[-1].get("bar5") == 0.0
            if arguments.list or fault or (cut.pickup and not cut.kept):
                print(row(cut, marks[-1]))
    print(summary(cuts, marks))
    return 0


if __name__ == "__main__":
    sys.exit(main())
