"""What the service made of each demo beat, and how that compares with the truth."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from demo.copycheck import Copy, copy_of, gap_in_copy_s, is_well_cut
from demo.scenario import DemoBeat
from demo.theory import parse_key

TOLERANCE_MS = 10.0  # of bar one, and of the grid at the last beat
OUR_ERROR = "report it with the log"  # what the service says when it failed itself
SURE = 0.8  # below it the report asks for ears
HEADINGS = (
    "drop", "format", "tempo", "found", "key", "found", "bar one", "gap", "found", "in copy", "verdict",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """`state` is "ready", "rejected" or "missing"; `answers` are the report's estimates when ready."""

    beat: DemoBeat
    state: str
    answers: dict[str, dict[str, Any]]
    place: Path | None
    reason: str = ""  # of a rejection
    copy: Copy | None = None  # when ready

    @property
    def as_expected(self) -> bool:
        """Published with no wrong answer; or rejected, with the file to blame and not the service."""
        if self.state != self.beat.expected or OUR_ERROR in self.reason:
            return False
        return self.state != "ready" or not wrong_answers(self)


def _records(folder: Path, pattern: str) -> dict[tuple[str | None, str], tuple[dict[str, Any], Path]]:
    """Published records by (producer, name of the drop)."""
    found = {}
    for file in sorted(folder.glob(pattern)):
        record = json.loads(file.read_text(encoding="utf-8"))
        found[record["drop"]["producer"], record["drop"]["name"]] = record, file.parent
    return found


def read_outcomes(beats: Sequence[DemoBeat], ready: Path, rejected: Path) -> list[Outcome]:
    done = _records(ready, "*/*.report.json")
    refused = _records(rejected, "*/rejected.json")
    out = []
    for beat in beats:
        name = beat.producer, beat.path.name
        if name in done:
            record, place = done[name]
            out.append(Outcome(beat, "ready", record["answers"], place, copy=copy_of(record, place)))
        elif name in refused:
            record, place = refused[name]
            out.append(Outcome(beat, "rejected", {}, place, record["reason"]))
        else:
            out.append(Outcome(beat, "missing", {}, None))
    return out


def _number(value: float | None, form: str, unit: str) -> str:
    return "none" if value is None else f"{value:{form}} {unit}".replace("-0.000 ", "0.000 ")


def _bpm(value: float | None) -> str:
    return "none" if value is None else f"{value:.3f}".rstrip("0").rstrip(".")


def bar_one_error_ms(outcome: Outcome) -> float | None:
    """Found minus true; None where one of them does not exist."""
    truth, found = outcome.beat.truth, outcome.answers.get("bar_one", {}).get("value")
    if truth is None or truth.first_downbeat_s is None or found is None:
        return None
    return (float(found) - truth.first_downbeat_s) * 1000


def _same_tempo(found: float | None, true: float, seconds: float) -> bool:
    """A grid at `found` BPM is less than the tolerance away from one at `true` BPM after `seconds`."""
    return found is not None and abs(true / found - 1) * seconds * 1000 < TOLERANCE_MS


def wrong_answers(outcome: Outcome) -> list[str]:
    """Names of the answers that differ from the truth of a published beat; "copy" where it is badly cut."""
    truth, answers = outcome.beat.truth, outcome.answers
    assert truth is not None
    wrong = []
    tempo, key = answers["tempo"]["value"], answers["key"]["value"]
    if truth.tempo_ok and not any(_same_tempo(tempo, t, truth.duration_s) for t in truth.tempo_ok):
        wrong.append("tempo")
    error = bar_one_error_ms(outcome)
    if error is None or abs(error) > TOLERANCE_MS:
        wrong.append("bar one")
    keys = [parse_key(k) for k in truth.key_ok]
    if (key is None) != (not keys) or (key is not None and parse_key(key) not in keys):
        wrong.append("key")
    if outcome.copy is None or not is_well_cut(outcome.copy, truth, outcome.beat.path):
        wrong.append("copy")
    return wrong


def verdict(outcome: Outcome) -> str:
    """One phrase: right, or what is wrong, and whether the report asked for ears there."""
    if outcome.beat.truth is None:
        return (
            "rejected with a reason, as it must be"
            if outcome.as_expected
            else f"NOT AS IT MUST BE: {outcome.state}"
        )
    if outcome.state != "ready":
        return f"NOT PUBLISHED: {outcome.state}"
    wrong = wrong_answers(outcome)
    unsure = [
        name
        for name, field in (("tempo", "tempo"), ("bar one", "bar_one"), ("key", "key"))
        if (outcome.answers[field]["confidence"] or 0.0) < SURE
        and outcome.answers[field]["value"] is not None
    ]
    words = [f"{name} WRONG{' (asks for ears)' if name in unsure else ''}" for name in wrong]
    words += [f"{name} right, asks for ears" for name in unsure if name not in wrong]
    return "; ".join(words) or "right"


def row(outcome: Outcome) -> tuple[str, ...]:
    beat, truth = outcome.beat, outcome.beat.truth
    title = f"{beat.producer}/{beat.path.name}"
    if truth is None or outcome.state != "ready":
        return (title, beat.shape, *[""] * 8, verdict(outcome))
    value = {name: outcome.answers[name]["value"] for name in ("tempo", "key", "first_sound")}
    key = f"{truth.key_tonic} {truth.key_mode}" if truth.key_tonic else "none"
    return (
        title,
        beat.shape,
        _bpm(truth.tempo_bpm),
        _bpm(value["tempo"]),
        key,
        value["key"] or "none",
        _number(bar_one_error_ms(outcome), "+.1f", "ms"),
        _number(truth.first_sound_s, ".3f", "s"),
        _number(value["first_sound"], ".3f", "s"),
        _number(gap_in_copy_s(outcome.copy, truth) if outcome.copy else None, ".3f", "s"),
        verdict(outcome),
    )


def table(outcomes: Sequence[Outcome]) -> str:
    """Plain text, columns aligned by spaces."""
    rows = [HEADINGS, *(row(o) for o in outcomes)]
    widths = [max(len(r[k]) for r in rows) for k in range(len(HEADINGS))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(r, widths, strict=True)).rstrip() for r in rows]
    return "\n".join([lines[0], "-" * max(len(line) for line in lines), *lines[1:]])
