"""Whether librosa's tempo helps where pulses were followed from attack to attack (`rhythm/played.py`).

    python -m tests.accuracy.second_opinion ask CORPUS ANSWERS.jsonl [--count N]
    python -m tests.accuracy.second_opinion weigh FIT.jsonl [FIT.jsonl...] --check CHECK.jsonl

`ask` writes the service's answer on each excerpt (N of them, drawn at random) and, where pulses were
followed, four tempi by librosa 0.11 at 22 050 Hz: the tempogram's with its prior of one octave about 120 BPM
and of two octaves, the median beat of `beat_track` and of `plp`. `weigh` tries three uses of each:
choice       take the alternative that librosa agrees with (4 %, Gouyon et al. 2006), below .8 confidence
confidence   logistic of our log odds, agreement, agreement at an octave; log loss by five folds, on CHECK
rescue       the followed pulses instead of "no steady beat" where librosa agrees at an octave

Finding, on 287 of 600 excerpts of `tests/training/played.py` from seed 1000, its 60 of origin none from seed
3000, and 100 from seed 500000 to check: not worth having, so no analyzer asks librosa.
Choice: nine of ten are right already; the best (prior of two octaves) gains one, plp loses two, no answer of
the check changes. Confidence: log loss .526 as it is on 23 answers; only `beat_track` improves it (.511), and
makes it worse on the check (.381 to .628, six answers). Rescue: the best (prior of two octaves) gives 10 of
25 songs a tempo, 8 of them right at an octave (check: one of three), but also 3 of 18 excerpts of origin
none, where the service gave 3 of all 60 a false tempo then. The first use costs a worker 4 s of processor
time and 200 MB (numba compiles), later ones 0.1 s each.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import librosa
import numpy as np
from scipy.special import logit

from analyzers.level.silence import find_lead_in
from analyzers.model import Options
from analyzers.rhythm.grid import find_grid, followed
from analyzers.rhythm.meter import pulse_verdict
from analyzers.rhythm.pulse import find_pulse
from analyzers.signal.features import Features
from analyzers.signal.mono import resampled
from tests.accuracy.grid import SURE, load_signal, same_tempo
from tests.training.grid_calibrate import logistic, predict

RATE = 22050
FRAME_S = 512 / RATE
LEAST = 0.05  # raw probability of an alternative that may be chosen
OPINIONS = ("prior 1 octave", "prior 2 octaves", "beat_track", "plp")
ANY_OCTAVE = (1.0, 2.0, 0.5)
Answer = dict[str, Any]


def opinions(samples: np.ndarray) -> dict[str, float | None]:
    """Tempi (BPM) by librosa of mono samples at `RATE`; None where it finds fewer than four beats."""
    strength = librosa.onset.onset_strength(y=samples, sr=RATE)
    tempogram = librosa.feature.tempogram(onset_envelope=strength, sr=RATE)
    prior = [
        float(librosa.feature.tempo(tg=tempogram, sr=RATE, std_bpm=octaves)[0]) for octaves in (1.0, 2.0)
    ]
    _, beats = librosa.beat.beat_track(onset_envelope=strength, sr=RATE, units="frames")
    pulse = librosa.beat.plp(onset_envelope=strength, sr=RATE)
    chains = beats, np.flatnonzero(librosa.util.localmax(pulse))
    median = [60.0 / (float(np.median(np.diff(c))) * FRAME_S) if len(c) > 3 else None for c in chains]
    return dict(zip(OPINIONS, (*prior, *median), strict=True))


def answer(folder: Path, truth: dict[str, Any]) -> Answer:
    """The service's answer on one excerpt; with `pulse_bpm` and `opinions` where pulses were followed."""
    f = Features(load_signal(folder / truth["file"]), Options())
    grid, pulse = find_grid(f, find_lead_in(f)), find_pulse(f.onsets)
    played = followed(f.onsets, pulse, pulse_verdict(pulse.evidence)[1]) if pulse is not None else None
    found: Answer = {
        "file": truth["file"],
        "tempo_ok": truth["tempo_ok"],
        "bpm": grid.tempo_bpm,
        "confidence": grid.tempo_confidence,
        "alternatives": [(c.bpm, c.probability) for c in grid.tempo_alternatives],
    }
    if played is not None:
        found["pulse_bpm"] = 60.0 * (len(played.times_s) - 1) / float(np.ptp(played.times_s))
        found["opinions"] = opinions(np.concatenate(list(resampled(f.mono, f.signal.rate, RATE, "HQ"))))
    return found


def right(a: Answer, bpm: float | None, ratios: tuple[float, ...] = (1.0,)) -> bool:
    return any(same_tempo(bpm, ok, ratios) for ok in a["tempo_ok"])


def choice(answers: list[Answer], name: str) -> str:
    """How many answers below `SURE` change to the alternative that librosa agrees with."""
    asked = [a for a in answers if a["bpm"] and a["tempo_ok"] and a["confidence"] < SURE]
    before = [right(a, a["bpm"]) for a in asked]
    after = list(before)
    for k, a in enumerate(asked):
        other = a["opinions"][name]
        agreed = [(p, bpm) for bpm, p in a["alternatives"] if p >= LEAST and same_tempo(bpm, other)]
        if agreed and not same_tempo(a["bpm"], other):
            after[k] = right(a, max(agreed)[1])
    return f"choice {sum(before)} -> {sum(after)} right of {len(asked)}"


def rescue(answers: list[Answer], name: str) -> str:
    """How many without a grid get one: of songs with a beat, of them right, of music without one."""
    none = [a for a in answers if a["bpm"] is None]
    said = [a for a in none if same_tempo(a["pulse_bpm"], a["opinions"][name], ANY_OCTAVE)]
    beat = [a for a in said if a["tempo_ok"]]
    good = sum(right(a, a["pulse_bpm"], ANY_OCTAVE) for a in beat)
    songs = sum(bool(a["tempo_ok"]) for a in none)
    return (
        f"rescue {len(beat)} of {songs}, right {good}; false {len(said) - len(beat)} of {len(none) - songs}"
    )


def evidence(answers: list[Answer], name: str) -> tuple[np.ndarray, np.ndarray]:
    """Answers below `SURE`: log odds, agreement, the same at an octave [shape=(n, 3)]; right [shape=(n,)]."""
    rows = [a for a in answers if a["bpm"] and a["confidence"] < SURE]
    x = []
    for a in rows:
        other = a["opinions"][name]
        agrees = same_tempo(a["bpm"], other), same_tempo(a["bpm"], other, ANY_OCTAVE)
        x.append((float(logit(a["confidence"])), *map(float, agrees)))
    return np.array(x).reshape(-1, 3), np.array([right(a, a["bpm"]) for a in rows], float)


def log_loss(p: np.ndarray, y: np.ndarray) -> float:
    return float(-np.mean(np.log(np.where(y > 0, p, 1.0 - p).clip(1e-3))))


def confidence(answers: list[Answer], check: list[Answer], name: str) -> str:
    """Log loss as it is, refitted without and with librosa by five folds; the same on `check`."""
    x, y = evidence(answers, name)
    xc, yc = evidence(check, name)
    fold = np.random.default_rng(1).integers(0, 5, len(y))
    losses = [log_loss(1 / (1 + np.exp(-x[:, 0])), y)]
    checked = [log_loss(1 / (1 + np.exp(-xc[:, 0])), yc)]
    for columns in (1, 3):
        p = np.zeros(len(y))
        for k in range(5):
            p[fold == k] = predict(
                logistic(x[fold != k, :columns], y[fold != k], 1.0), x[fold == k, :columns]
            )
        losses.append(log_loss(p, y))
        checked.append(log_loss(predict(logistic(x[:, :columns], y, 1.0), xc[:, :columns]), yc))
    shown = [" / ".join(f"{v:.3f}" for v in values) for values in (losses, checked)]
    return f"log loss as is / refitted / with it: {shown[0]} of {len(y)}; check {shown[1]} of {len(yc)}"


def weigh_all(fit: list[Path], check: Path) -> None:
    """Print the three uses of each opinion; the confidence is fitted on all of `fit` together."""
    fitted: list[Answer] = []
    for path in (*fit, check):
        rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        mine = [r for r in rows if "opinions" in r]
        false = sum(bool(r["bpm"]) and r["confidence"] > 0.5 for r in rows if not r["tempo_ok"])
        print(f"{path.name}: {len(rows)} excerpts, {len(mine)} followed, {false} false tempi")
        for name in OPINIONS:
            print(f"  {name:<16}{choice(mine, name)}; {rescue(mine, name)}")
        if path != check:
            fitted += mine
    for name in OPINIONS:
        print(f"{name:<16}{confidence(fitted, mine, name)}")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parts = parser.add_subparsers(dest="part", required=True)
    ask = parts.add_parser("ask")
    ask.add_argument("corpus", type=Path)
    ask.add_argument("answers", type=Path)
    ask.add_argument("--count", type=int)
    weigh = parts.add_parser("weigh")
    weigh.add_argument("fit", type=Path, nargs="+")
    weigh.add_argument("--check", type=Path, required=True)
    a = parser.parse_args()
    if a.part == "ask":
        lines = (a.corpus / "truth.jsonl").read_text(encoding="utf-8").splitlines()
        with a.answers.open("w", encoding="utf-8") as out:
            for k in np.random.default_rng(0).permutation(len(lines))[: a.count]:
                print(json.dumps(answer(a.corpus, json.loads(lines[k]))), file=out, flush=True)
        return 0
    weigh_all(a.fit, a.check)
    return 0


if __name__ == "__main__":
    sys.exit(main())
