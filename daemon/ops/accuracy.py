"""How often the analysis was right on this studio's own material, as far as corrections tell.

What nobody corrected is counted as right: an upper bound, and the printout says so. A correction
to the measured value itself is a confirmation.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from analyzers.harmony.key_names import parse_key
from analyzers.harmony.spelling import pitch_class_of, scale_pitch_classes
from config.settings import Settings
from daemon.core.text import one_line
from daemon.corrections.store import CorrectionEntry, History, all_histories
from daemon.report.board import read_rows

SAME_TEMPO = 0.001
SAME_PLACE_S = 0.005  # a grid within 5 ms passes unnoticed (common practice)
SAME_CENTS = 2.0
FIELDS = {
    "tempo": "tempo_bpm",
    "key": "key",
    "bar_one": "bar_one_s",
    "meter": "meter",
    "tuning": "tuning_cents",
}


@dataclass(frozen=True, slots=True)
class Question:
    """One question's tally over all drops."""

    name: str
    answered: int  # drops with an answer
    confirmed: int
    wrong: int
    mean_confidence_when_wrong: float | None
    kinds: tuple[tuple[str, int], ...]  # how it was wrong, most frequent first


def print_accuracy(settings: Settings) -> int:
    """The command `status --accuracy`."""
    rows = read_rows(settings.folders.ready, settings.folders.state)
    found = tally(rows, all_histories(settings.folders.state))
    print("\n".join(map(one_line, as_lines(found, len(rows)))))
    return 0


def tally(rows: list[dict[str, Any]], histories: list[History]) -> list[Question]:
    """Count each question. `rows` are the board's rows."""
    result = []
    for name, field in FIELDS.items():
        verdicts = [(e, verdict(name, e)) for h in histories for e in h.entries[-1:]]
        given = [(e, v) for e, v in verdicts if v is not None]
        wrong = [(e, v) for e, v in given if v != "confirmed"]
        sure = [float(e.measured[name]["confidence"]) for e, _ in wrong]
        result.append(
            Question(
                name=name.replace("_", " "),
                answered=sum(row.get(field) is not None for row in rows),
                confirmed=len(given) - len(wrong),
                wrong=len(wrong),
                mean_confidence_when_wrong=sum(sure) / len(sure) if sure else None,
                kinds=tuple(Counter(v for _, v in wrong).most_common()),
            )
        )
    return result


def verdict(name: str, entry: CorrectionEntry) -> str | None:
    """'confirmed', or in which way the measurement was wrong; None when this was not corrected."""
    right = getattr(entry.correction, FIELDS[name])
    found = entry.measured[name]["value"]
    if right is None:
        return None
    if found is None:
        return "nothing was found"
    if name == "tempo":
        return _tempo(found / right)
    if name == "key":
        return _key(str(found), str(right))
    if name == "bar_one":
        return _place(float(right) - float(found), entry)
    if name == "tuning":
        return "confirmed" if abs(right - found) <= SAME_CENTS else "other"
    return "confirmed" if right == found else "other"


def _tempo(ratio: float) -> str:
    for level, words in ((1.0, "confirmed"), (2.0, "twice too fast"), (0.5, "half too slow")):
        if abs(ratio / level - 1) <= SAME_TEMPO:
            return words
    return "near miss" if abs(ratio - 1) < 0.02 else "other"


def _place(shift_s: float, entry: CorrectionEntry) -> str:
    if abs(shift_s) <= SAME_PLACE_S:
        return "confirmed"
    tempo = entry.measured["tempo"]["value"] or entry.correction.tempo_bpm
    beats = shift_s * tempo / 60 if tempo else 0.5
    whole = abs(beats - round(beats)) < 0.03 and round(beats) != 0
    return "whole beats off" if whole else "between beats"


def _key(found: str, right: str) -> str:
    a, b = parse_key(found), parse_key(right)
    if a is None or b is None:
        return "other"
    notes = [scale_pitch_classes(tonic, mode) for tonic, mode in (a, b)]
    shift = (pitch_class_of(a[0]) - pitch_class_of(b[0])) % 12
    if a == b:
        return "confirmed"
    if notes[0] == notes[1]:
        return "same notes, other tonic"
    if shift == 0:
        return "same tonic, other scale"
    return "a fifth off" if shift in (5, 7) and a[1] == b[1] else "other"


def as_lines(questions: list[Question], drops: int) -> list[str]:
    """Text for the terminal."""
    lines = [f"{drops} ready; what nobody corrected is counted as right, so the share is an upper bound"]
    for q in questions:
        right = 1 - min(q.wrong / q.answered, 1.0) if q.answered else None
        share = "no answers yet" if right is None else f"{100 * right:.1f} % right"
        line = f"{q.name:<8} {q.answered:>5} answers  {q.wrong:>4} corrected  {q.confirmed:>4} confirmed  "
        line += share
        if q.mean_confidence_when_wrong is not None:
            line += f"; mean confidence when wrong {q.mean_confidence_when_wrong:.2f}"
        if q.kinds:
            line += f" ({', '.join(f'{n} {kind}' for kind, n in q.kinds)})"
        lines.append(line)
    return lines
