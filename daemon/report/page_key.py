"""What the page says below the key: the notes for pitch correction, where they change, what chords add."""

from __future__ import annotations

from collections.abc import Container, Sequence
from typing import NamedTuple

from analyzers.harmony.key_change import key_begin, later_changes, sure_of_key
from analyzers.harmony.note_sets import ChordBeside, NoteSet, chords_beside, key_notes, key_sets
from analyzers.model import Analysis, Blues, Key
from analyzers.rhythm.bars import bar_lines
from daemon.export.guide import also_words
from daemon.report.keyboard import on_keyboard
from daemon.report.page_chords import chord_bars
from daemon.report.words import BENT, bar_or_time, key_line, percent, sentence

MOST_CHORDS = 2
MOST_BARS = 6
HAIR_S = 0.05  # a chord that reaches so little into a bar does not stand in it


class Below(NamedTuple):
    """One line under an answer; `answer` can be copied by itself, with the key `copy_key` if there is one."""

    before: str
    answer: str = ""
    after: str = ""
    copy_key: str = ""


def key_lines(view: Analysis, sure: float, by_hand: bool = False) -> list[Below]:
    """The notes of each key, then chords that go beside them; times and bars as in `view`. Empty: no key.

    `sure` is the least confidence of a key's notes, and of a chord, that is taken at its word; `by_hand`: the
    key was set so, with its changes.
    """
    key = view.key
    if key.tonic is None or key.mode is None:
        return []
    chords = chords_beside(view, sure)[:MOST_CHORDS]
    named = {note for chord in chords for note in chord.notes}
    begin = key_begin(key)
    first, *later = key_sets(view, sure)[1 if begin else 0 :]
    beside = [Below(_beside(view, chord)) for chord in chords]
    notes = f"{_notes(key, key.tonic, key.mode)}{_also(first, named)}"
    if key.blues is not None:
        form = Below("", str(key_line(key)), _form(view, key.blues, by_hand))
        return [form, Below(f"Notes: {notes}"), Below(sentence(BENT)), *beside]
    from_bar = f" from {bar_or_time(view.grid, begin.at_s)} on, chromatic before" if begin else ""
    found = [Below(f"Notes{_which(first)}{from_bar}: {notes}")]
    for change, held in zip(later_changes(key), later, strict=True):
        how = f"{bar_or_time(view.grid, change.at_s)}, {_sure(change.confidence, by_hand)}"
        if not by_hand and (certain := sure_of_key(change)) < sure:
            how += f", of the key {percent(certain)}"
        notes = f"notes{_which(held)}: {_notes(key, change.tonic, change.mode)}{_also(held, named)}"
        found.append(Below("changes to", f"{change.tonic} {change.mode}", f"at {how}; {notes}"))
    return [*found, *beside]


def _sure(confidence: float, by_hand: bool) -> str:
    return "set by hand" if by_hand else f"{percent(confidence)} sure"


def _which(held: NoteSet) -> str:
    """' of C minor, once it is checked' where the notes are not sure."""
    return "" if held.notes else f" of {held.key}, once it is checked"


def _also(held: NoteSet, named: Container[str]) -> str:
    """'; the chords also sound D': further notes of a key's chords that no line of their own names."""
    beside, perhaps = ([note for note in notes if note not in named] for notes in (held.beside, held.perhaps))
    words = also_words(beside, perhaps)
    return f"; {words}" if words else ""


def _form(view: Analysis, blues: Blues, by_hand: bool) -> str:
    if not blues.bars:
        return "as it was set by hand"
    start = bar_or_time(view.grid, blues.first_chorus_s)
    return f"by its form: {blues.bars} bars, the first chorus at {start}, {_sure(blues.confidence, by_hand)}"


def _notes(key: Key, tonic: str, mode: str) -> str:
    notes = key_notes(key, tonic, mode)
    return f"{', '.join(notes)}{_keys(notes)}"


def _keys(notes: Sequence[str]) -> str:
    keys = on_keyboard(notes)
    return f" (on a keyboard {keys})" if keys else ""


def _beside(view: Analysis, chord: ChordBeside) -> str:
    """'G7 (bars 4, 8) has B, which is not in these notes'."""
    bars = _bars(view, chord)
    more = f" and {len(bars) - MOST_BARS} more" if len(bars) > MOST_BARS else ""
    numbers = ", ".join(map(str, bars[:MOST_BARS]))
    where = f" (bar{'s' if len(bars) > 1 else ''} {numbers}{more})" if bars else ""
    is_not = "which is" if len(chord.notes) == 1 else "which are"
    names, keys = " and ".join(chord.notes), _keys(chord.notes)
    return f"{chord.label}{where} has {names}, {is_not} not in these notes{keys}"


def _bars(view: Analysis, chord: ChordBeside) -> Sequence[int]:
    """Bars of the chord grid that name it where it stands."""
    lines = bar_lines(view.grid)
    ends = [*(at for _, at in lines[1:]), view.duration_s]
    return [
        bar.number
        for bar, (_, start), end in zip(chord_bars(view), lines, ends, strict=False)
        if chord.label in bar.labels and any(min(b, end) - max(a, start) > HAIR_S for a, b in chord.spans_s)
    ]
