"""What the board's table says of one ready beat, fit to be read: tempo and key with what makes them doubtful,
which move, and which keys have the same notes.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from analyzers.harmony.key_change import later_changes
from analyzers.harmony.spelling import SCALES, key_name, scale_pitch_classes, tonic_name
from analyzers.model import Analysis, Grid, Key
from daemon.core.names import format_tempo
from daemon.report.rivals import counted_tempi, counted_words, rival_key, rival_tempi
from daemon.report.words import key_line, moves, session_place, tempo_facts

RELATIVES = ("minor", "major")


def shown_row(view: Analysis, ear_topics: Collection[str]) -> dict[str, Any]:
    """Plain values from the session's view of an analysis; a rival is named where the answer needs ears."""
    grid, key = view.grid, view.key
    return {
        **tempo_facts(grid, view.duration_s),
        "tempo_span": _span(grid),
        **(_other_tempo(grid) if "tempo" in ear_topics and not moves(grid) else {}),
        "key_rival": rival_key(key) if "key" in ear_topics else None,
        "key_shown": key_line(key),
        "blues": key_line(key) if key.blues else None,
        "key_changes": [
            {"key": f"{c.tonic} {c.mode}", "place": session_place(grid, c.at_s)} for c in later_changes(key)
        ],
        "key_families": _families(key),
    }


def _span(grid: Grid) -> list[float] | None:
    if grid.tempo_bpm is None:
        return None
    tempi = [bpm for _, bpm in grid.tempo_curve] if moves(grid) else []
    return [min([grid.tempo_bpm, *tempi]), max([grid.tempo_bpm, *tempi])]


def _other_tempo(grid: Grid) -> dict[str, str]:
    """The likeliest other one: a rival's number, or the words of another count of the same beats."""
    counted = counted_tempi(grid)
    others = sorted((*rival_tempi(grid), *counted), key=lambda c: -c.probability)
    if not others:
        return {}
    rival = format_tempo(round(others[0].bpm, 2))
    return {"tempo_counted": counted_words(grid)} if others[0] in counted else {"tempo_rival": rival}


def _families(key: Key) -> list[dict[str, str]]:
    """The note sets that the beat is in, each with its name: relative keys are one."""
    if key.tonic is None or key.mode is None:
        return []
    keys = dict.fromkeys([(key.tonic, key.mode), *((c.tonic, c.mode) for c in key.changes)])
    found = {}
    for tonic, mode in keys:
        notes = scale_pitch_classes(tonic, mode)
        found[" ".join(map(str, sorted(notes)))] = _family_name(tonic, mode)
    return [{"notes": notes, "name": name} for notes, name in found.items()]


def _family_name(tonic: str, mode: str) -> str:
    """'C minor or E flat major': the minor and major key of these notes, else the key itself."""
    notes = scale_pitch_classes(tonic, mode)
    tonics = {
        relative: pitch_class
        for relative in RELATIVES
        for pitch_class in range(12)
        if {(pitch_class + step) % 12 for step in SCALES[relative]} == notes
    }
    if len(tonics) < len(RELATIVES):
        return str(key_name(tonic, mode))
    return " or ".join(f"{tonic_name(tonics[relative], relative)} {relative}" for relative in RELATIVES)
