"""What the page offers to set a wrong answer right: commands to copy, the likeliest first, and the lines of a
correction file.
"""

from __future__ import annotations

import shlex

from analyzers.model import Grid, Key
from daemon.core.names import format_tempo
from daemon.report.report import Report
from daemon.report.words import WORTH_SAYING, topics

SAME = 0.005  # two tempi so near are one


def fixes(report: Report) -> list[tuple[str, str]]:
    """(what is right, the command that says so); what needs ears comes first."""
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
    lines = [(what, f"beatintake correct {name} {flags}") for what, flags in (*first, *rest)]
    return [*lines, ("take it back", f"beatintake undo {name}")] if report.correction else lines


def correction_sample(report: Report) -> str:
    """The lines of a correction file, with this beat's own other answers where it has some."""
    analysis, tempo = report.corrected(), report.answers.tempo.value
    rival = _rivals(analysis.grid)[:1] or ([float(tempo) / 2] if tempo is not None else [93.5])
    lines = [
        (f"tempo: {format_tempo(round(rival[0], 4))}", "or: half: true, double: true"),
        (f"key: {_other_key(analysis.key) or 'E flat minor'}", ""),
        ("bar one: +1 beat", "or -2 bars, +12 ms, or seconds in the producer's file"),
        ("meter: 3/4", ""),
        ("tuning: -32", "cents from A4 = 440 Hz"),
    ]
    return "\n".join(f"{line:<20} # {remark}" if remark else line for line, remark in lines)


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
    for other in (*_rivals(grid), bpm / 2, bpm * 2):
        half, twice = _same(other, bpm / 2), _same(other, bpm * 2)
        shown = format_tempo(round(other, 2))
        words = ", half of that" if half else ", twice that" if twice else ""
        flag = "--half" if half else "--double" if twice else f"--tempo {shown}"
        found.setdefault(flag, f"the tempo is {shown} BPM{words}")
    if len(found) == 2:
        found["--tempo 93.5"] = "another tempo"
    return [(words, flag) for flag, words in found.items()]


def _key(key: Key) -> list[tuple[str, str]]:
    return [("another key", f'--key "{_other_key(key) or "E flat minor"}"')]


def _other_key(key: Key) -> str | None:
    others = [f"{c.tonic} {c.mode}" for c in key.alternatives if (c.tonic, c.mode) != (key.tonic, key.mode)]
    return others[0] if others else None
