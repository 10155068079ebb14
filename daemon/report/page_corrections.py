"""What the page offers to set a wrong answer right: commands to copy, what needs ears first, and the lines of
a correction file.
"""

from __future__ import annotations

import shlex
from typing import NamedTuple

from analyzers.model import Grid, Key
from daemon.core.names import format_tempo
from daemon.report.report import Report
from daemon.report.words import WORTH_SAYING, rival_keys, topics

OFF = "# "  # stands before a line that says nothing yet
SAME = 0.005  # two tempi so near are one


class Fix(NamedTuple):
    """`likeliest`: what is right most probably, if the answer is wrong."""

    what: str  # is right
    command: str  # says so
    likeliest: bool = False


def fixes(report: Report) -> list[Fix]:
    """What needs ears comes first; half and double keep their order."""
    found, analysis = report.answers, report.corrected()
    flagged = topics(report.check_by_ear)
    groups = {
        "tempo": _tempo(analysis.grid),
        "key": _key(analysis.key),
        "bar one": [("bar one is a beat later", "--bar-one +1beat")]
        if found.bar_one.value is not None
        else [],
    }
    first = [fix for topic in groups if topic in flagged for fix in groups[topic]]
    rest = [fix for topic in groups if topic not in flagged for fix in groups[topic]]
    name = shlex.quote(_name(report))
    likely = _likeliest(analysis.grid) if first[:1] == groups["tempo"][:1] or not first else ""
    asked = (*first, *rest)
    at = next((k for k, (_, flags) in enumerate(asked) if flags == likely), 0)
    lines = [
        Fix(what, f"beatintake correct {name} {flags}", k == at) for k, (what, flags) in enumerate(asked)
    ]
    return [*lines, Fix("take it back", f"beatintake undo {name}")] if report.correction else lines


def correction_sample(report: Report) -> str:
    """The lines of a correction file, with this beat's own other answers where it has some.

    All are comments: who copies them as they are corrects nothing.
    """
    analysis, tempo = report.corrected(), report.answers.tempo.value
    rival = _rivals(analysis.grid)[:1] or ([float(tempo) / 2] if tempo is not None else [93.5])
    one = (f"tempo: {format_tempo(round(rival[0], 4))}", "or half: true, or double: true; only one of these")
    if tempo is not None and analysis.grid.constant_tempo is False:
        one = ("half: true", "or double: true; it goes on moving")
    lines = [
        one,
        (f"key: {_other_key(analysis.key) or 'E flat minor'}", ""),
        ("bar one: +1 beat", "or -2 bars, +12 ms, or seconds in the producer's file"),
        ("meter: 3/4", ""),
        ("tuning: -32", "cents from A4 = 440 Hz"),
    ]
    return "\n".join(f"{OFF}{line:<20} # {remark}" if remark else f"{OFF}{line}" for line, remark in lines)


def _name(report: Report) -> str:
    return report.files.report.removesuffix(".report.json")


def _rivals(grid: Grid) -> list[float]:
    """Other tempi that it could be, most probable first."""
    bpm = grid.tempo_bpm
    likely = [c.bpm for c in grid.tempo_alternatives if c.probability >= WORTH_SAYING]
    return [] if bpm is None else [rival for rival in likely if not _same(rival, bpm)]


def _same(a: float, b: float) -> bool:
    return abs(a / b - 1) <= SAME


def _tempo(grid: Grid) -> list[tuple[str, str]]:
    bpm = grid.tempo_bpm
    if bpm is None:
        return [("there is a tempo", "--tempo 93.5")]
    found: dict[str, str] = {}
    moving = grid.constant_tempo is False
    for other in (*_rivals(grid), bpm / 2, bpm * 2):
        flag, shown = _flag(other, bpm), format_tempo(round(other, 2))
        words = {"--half": ", half of that", "--double": ", twice that"}.get(flag, "")
        found.setdefault(flag, f"the tempo is {'on average ' if moving else ''}{shown} BPM{words}")
    levels = {flag: found.pop(flag) for flag in ("--half", "--double")}
    if not found:
        found["--tempo 93.5"] = "it does not move: one tempo" if moving else "another tempo"
        found = {**levels, **found}
    return [(words, flag) for flag, words in {**found, **levels}.items()]


def _flag(other: float, bpm: float) -> str:
    """How the command says one tempo where another was found."""
    if _same(other, bpm / 2):
        return "--half"
    return "--double" if _same(other, bpm * 2) else f"--tempo {format_tempo(round(other, 2))}"


def _likeliest(grid: Grid) -> str:
    """The flag of the most probable rival; empty without one."""
    rivals = _rivals(grid)
    return _flag(rivals[0], grid.tempo_bpm) if rivals and grid.tempo_bpm else ""


def _key(key: Key) -> list[tuple[str, str]]:
    return [("another key", f'--key "{_other_key(key) or "E flat minor"}"')]


def _other_key(key: Key) -> str | None:
    others = [f"{c.tonic} {c.mode}" for c in rival_keys(key)]
    return others[0] if others else None
