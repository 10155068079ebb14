"""The score: what the session shows beside the copy, placed on its ruler.

Every file that carries music beside the copy (map, session files, guide) is written from this one
record, so that they agree to the tick. Seconds are those of the session (`sessionview`), also in the sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analyzers.harmony.key_change import sure_of_key
from analyzers.harmony.note_sets import NoteSet, note_sets
from analyzers.harmony.spelling import parse_chord
from analyzers.harmony.voicing import bass_notes, voice_chords
from analyzers.model import Analysis, Chord, Key
from daemon.export.plan import CutPlan
from daemon.export.ruler import Ruler, make_ruler
from daemon.export.sessionview import in_session

VOCAL_RANGE = (53, 76)


@dataclass(frozen=True, slots=True)
class Held:
    """Notes (MIDI, lowest first) that sound together from one tick to another; none where no chord is."""

    start: int
    end: int
    notes: tuple[int, ...]
    label: str  # of the chord, "N" = none
    doubted: bool = False

    @property
    def written(self) -> str:
        """As in a chart: 'Am7', 'Am7?', 'N.C.'."""
        return "N.C." if self.label == "N" else f"{self.label}{'?' if self.doubted else ''}"


@dataclass(frozen=True, slots=True)
class KeySign:
    tick: int
    tonic: str
    mode: str
    doubted: bool = False

    @property
    def written(self) -> str:
        """'E flat minor', 'E flat minor?'."""
        return f"{self.tonic} {self.mode}{'?' if self.doubted else ''}"


@dataclass(frozen=True, slots=True)
class Score:
    ruler: Ruler
    has_grid: bool  # False: the ruler's tempo says nothing about the music
    keys: tuple[KeySign, ...]  # empty: no key
    sections: tuple[tuple[int, str], ...]  # (tick, letter)
    chords: tuple[Held, ...]  # in the vocal range, never overlapping
    bass: tuple[Held, ...]  # the roots
    note_sets: tuple[tuple[int, NoteSet], ...]  # (tick, set) for pitch correction; the first at 0
    end_tick: int  # of the copy
    end_s: float


def make_score(
    analysis: Analysis, plan: CutPlan, sure: float, vocal_range: tuple[int, int] = VOCAL_RANGE
) -> Score:
    """The score of one aligned copy; what lies outside the copy is cut off.

    `vocal_range`: of the chord track; `sure`: see `note_sets`.
    """
    ruler, view = make_ruler(analysis.grid, plan), in_session(analysis, plan)
    end_tick = ruler.tick(view.duration_s)
    ruler = replace(ruler, tempi=tuple(event for event in ruler.tempi if event[0] < max(end_tick, 1)))
    spans = _in_copy(view.chords, ruler, view.duration_s, sure)
    parsed = [parse_chord(label) for _, _, label, _ in spans]
    roots = [() if note is None else (note,) for note in bass_notes(parsed)]
    return Score(
        ruler=ruler,
        has_grid=analysis.grid.tempo_bpm is not None,
        keys=_keys(view.key, ruler, sure),
        sections=tuple((ruler.tick(section.start_s), section.letter) for section in view.sections),
        chords=_held(spans, voice_chords(parsed, vocal_range)),
        bass=_held(spans, roots),
        note_sets=tuple(
            (ruler.tick(held.start_s) if number else 0, held)
            for number, held in enumerate(note_sets(view, sure))
        ),
        end_tick=end_tick,
        end_s=view.duration_s,
    )


def _held(spans: Sequence[tuple[int, int, str, bool]], notes: Sequence[tuple[int, ...]]) -> tuple[Held, ...]:
    return tuple(
        Held(start, end, held, label, doubted)
        for (start, end, label, doubted), held in zip(spans, notes, strict=True)
    )


def _keys(key: Key, ruler: Ruler, sure: float) -> tuple[KeySign, ...]:
    if key.tonic is None or key.mode is None:
        return ()
    later = (KeySign(ruler.tick(c.at_s), c.tonic, c.mode, sure_of_key(c) < sure) for c in key.changes)
    return (KeySign(0, key.tonic, key.mode, key.confidence < sure), *later)


def _in_copy(
    chords: Sequence[Chord], ruler: Ruler, end_s: float, sure: float
) -> list[tuple[int, int, str, bool]]:
    """(first tick, end tick, label, is it doubted?) of what the copy holds of each chord; none overlap."""
    out: list[tuple[int, int, str, bool]] = []
    for chord in chords:
        start, end = ruler.tick(chord.start_s), ruler.tick(min(chord.end_s, end_s))
        start = max(start, out[-1][1]) if out else start
        if end > start:
            out.append((start, end, chord.label, chord.confidence < sure))
    return out
