"""Notes as a keyboard names its keys: so do the buttons of pitch correction."""

from __future__ import annotations

from collections.abc import Iterable

from analyzers.harmony.spelling import pitch_class_of

WHITE = {pitch_class_of(name): name for name in "CDEFGAB"}


def on_keyboard(notes: Iterable[str]) -> str:
    """'E sharp is F, F double sharp is G': of notes on a white key of another name; empty without any."""
    named = {note: WHITE.get(pitch_class_of(note)) for note in notes if len(note) > 1}
    return ", ".join(f"{note} is {key}" for note, key in named.items() if key)
