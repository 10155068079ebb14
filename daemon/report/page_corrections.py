"""What the page offers to set a wrong answer right: commands to copy, what needs ears first, and the lines of
a correction file.
"""

from __future__ import annotations

import shlex
from typing import NamedTuple

from analyzers.harmony.key_change import later_changes
from analyzers.model import Grid, Key
from daemon.core.names import format_tempo
from daemon.core.program import program_with
from daemon.corrections.apply import beat_rate
from daemon.report.ear_topics import topics
from daemon.report.report import Report
from daemon.report.rivals import (
    level_of,
    other_meter,
    other_tempi,
    place_words,
    rival_key,
    rival_meters,
    rival_places,
)
from daemon.report.words import FIRST_BAR, HEARD_MS, moves, tempi_words, unit

OFF = "# "  # stands before a line that says nothing yet
LEVELS = {0.5: "--half", 2.0: "--double"}


class Fix(NamedTuple):
    """`blank`: what only a person knows; the command ends before it. `first`: this row has the key."""

    what: str  # is right
    command: str  # says so
    blank: str = ""
    first: bool = False


class Ask(NamedTuple):
    what: str
    flags: str
    blank: str = ""
    likely: bool = False


def fixes(report: Report) -> list[Fix]:
    """What needs ears comes first; half and double keep their order.

    The key is with the likeliest other answer to what is doubtful; with nothing doubtful, or no other answer
    known, it is with the command that waits for an option and its value.
    """
    analysis, flagged = report.corrected(), topics(report.check_by_ear)
    groups = {
        "tempo": _tempo(analysis.grid),
        "key": _key(analysis.key),
        "meter": _meter(analysis.grid) if "meter" in flagged else [],
        FIRST_BAR: _bar_one(analysis.grid, report) if report.answers.bar_one.value is not None else [],
    }
    doubtful = [topic for topic in groups if topic in flagged]
    asked = [ask for topic in (*doubtful, *(t for t in groups if t not in flagged)) for ask in groups[topic]]
    known = [ask for topic in doubtful for ask in groups[topic] if ask.likely]
    asked.append(Ask("anything else", "", "--meter 3/4, --tuning CENTS"))
    at = asked.index(known[0]) if known else len(asked) - 1
    name, call = shlex.quote(_name(report)), program_with(report.software.settings_file)
    lines = [
        Fix(
            ask.what + (" (likeliest)" if ask in known[:1] else ""),
            _command(call, name, ask),
            ask.blank,
            k == at,
        )
        for k, ask in enumerate(asked)
    ]
    return [*lines, Fix("take it back", f"{call} undo {name}")] if report.correction else lines


def _command(call: str, name: str, ask: Ask) -> str:
    """Ends in a space where the value is to be typed."""
    words = [call, "correct", name, *([ask.flags] if ask.flags else [])]
    return " ".join(words) + (" " if ask.blank else "")


def correction_sample(report: Report) -> str:
    """The lines of a correction file, short enough never to be broken.

    The values are made up, so that none is taken for an answer, and all lines are comments: who copies them
    as they are corrects nothing.
    """
    lines = [
        "half: true" if moves(report.corrected().grid) else "tempo: 93.5",
        "key: E flat minor",
        "bar one: +1 beat",
        "meter: 3/4",
        "tuning: -32",
    ]
    return "\n".join(f"{OFF}{line}" for line in lines)


def _name(report: Report) -> str:
    return report.files.report.removesuffix(".report.json")


def _tempo(grid: Grid) -> list[Ask]:
    bpm = grid.tempo_bpm
    if bpm is None:
        return [Ask("there is a tempo", "--tempo", "BPM")]
    found: dict[str, str] = {}
    likeliest = _likeliest(grid)
    for other in (*(c.bpm for c in other_tempi(grid)), bpm / 2, bpm * 2):
        flag = _flag(other, grid)
        words = {"--half": ", half of that", "--double": ", twice that"}.get(flag, "")
        meter = other_meter(grid, other)
        told = (
            f"{tempi_words(grid, other)} BPM in {meter}"
            if meter
            else f"{tempi_words(grid, other)} {unit(grid)}"
        )
        found.setdefault(flag, f"the tempo is {told}{words}")
    levels = {flag: found.pop(flag) for flag in ("--half", "--double")}
    known = [Ask(words, flag, "", flag == likeliest) for flag, words in {**found, **levels}.items()]
    return [
        *known,
        Ask("it does not move: one tempo" if moves(grid) else "another tempo", "--tempo", unit(grid)),
    ]


def _flag(other: float, grid: Grid) -> str:
    """How the command says one tempo where another was found: other beats in the same bars by their meter."""
    if meter := other_meter(grid, other):
        return f"--meter {meter}"
    level = level_of(grid.tempo_bpm, other)
    return LEVELS[level] if level else f"--tempo {format_tempo(round(other, 2))}"


def _likeliest(grid: Grid) -> str:
    """The flag of the most probable other tempo; empty without one."""
    others = other_tempi(grid)
    return _flag(others[0].bpm, grid) if others else ""


def _key(key: Key) -> list[Ask]:
    """The likeliest other key, then each key of a song that changes it as the only one, then others."""
    likely = rival_key(key)
    found = [Ask(f"the key is {likely}", f'--key "{likely}"', "", True)] if likely else []
    if changes := later_changes(key):
        later = [f"{c.tonic} {c.mode}" for c in changes]
        names = dict.fromkeys([f"{key.tonic} {key.mode}", *later])
        found += [Ask(f"the key does not change: {name}", f'--key "{name}"') for name in names]
        found.append(Ask("other keys", "--key", '"TONIC MODE, then TONIC MODE at bar N"'))
    return [*found, Ask("another key", "--key", '"TONIC MODE"')]


def _meter(grid: Grid) -> list[Ask]:
    """Other meters of the same beats; where a meter alone would keep the bars, the tempo keeps the beats."""
    found = []
    for rival in rival_meters(grid):
        what, flags = f"the meter is {rival.meter}", f"--meter {rival.meter}"
        if grid.tempo_bpm is not None and not moves(grid) and beat_rate(grid, rival.meter) != 1.0:
            what, flags = f"{what}, at this tempo", f"{flags} --tempo {format_tempo(grid.tempo_bpm)}"
        found.append(Ask(what, flags, likely=True))
    return found


def _bar_one(grid: Grid, report: Report) -> list[Ask]:
    """The likeliest other places, a beat earlier and later, a first hit that the lines left alone."""
    likely = [late for late, _ in rival_places(grid)[:2]]
    places = dict.fromkeys([*likely, -1.0, 1.0])
    late_ms = 0 if report.answers.bar_one.set_by_hand else round(report.cut.first_hit_late_s * 1000)
    late_hit = [Ask("the bar lines belong on the first hit", f"--bar-one=+{late_ms}ms")]
    beats = [
        Ask(
            f"the song's first bar is {place_words(late, grid)}",
            f"--bar-one={late:+.4g}beat{'' if abs(late) == 1 else 's'}",
            likely=late in likely[:1],
        )
        for late in places
    ]
    return beats + late_hit * (late_ms > HEARD_MS)
