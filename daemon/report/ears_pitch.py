"""What needs a person's ears about key and tuning, and what pitch correction can be set to meanwhile."""

from __future__ import annotations

from analyzers.harmony.key_change import key_begin, later_changes, sure_of_key
from analyzers.harmony.note_sets import NoteSet, key_sets, same_notes
from analyzers.harmony.spelling import key_name
from analyzers.model import Analysis, Key, KeyCandidate, KeyChange, Tuning
from daemon.corrections.apply import Correction
from daemon.export.guide import also_words
from daemon.report.rivals import or_else, rival_keys, worth_naming
from daemon.report.words import NOT_MEASURED, bar_or_time, percent, sentence, session_place, tuning_course


def key_lines(analysis: Analysis, below: float, by_hand: Correction) -> list[str]:
    """Each key that is doubtful, and each change."""
    key = analysis.key
    if key_name(key.tonic, key.mode) is None:
        why = sentence(key.reason or "nothing tonal was found")
        return [f"Key: none. {why} Hear whether it has one; pitch correction is chromatic until then."]
    if by_hand.key is not None:
        return []
    begin, sets = key_begin(key), key_sets(analysis, below)
    if begin is not None:
        sets = sets[1:]
    lines = [_key_line(analysis, begin or key, below, sets)] if key.confidence < below else []
    if begin is not None and begin.confidence < below:
        at = bar_or_time(analysis.grid, begin.at_s)
        lines.append(
            f"Key: that it begins at {at} is {percent(begin.confidence)} sure; before it none was found. "
            "Hear whether what comes before is in it, too."
        )
    for number, change in enumerate(later_changes(key), 1):
        if change.confidence < below:  # a sure one is told with the key: nothing to check
            lines.append(
                f"Key: that it changes to {change.tonic} {change.mode} at "
                f"{bar_or_time(analysis.grid, change.at_s)} is {percent(change.confidence)} sure. "
                "Hear whether the bass and the chords move there."
            )
        if sure_of_key(change) < below and change.confidence >= below:
            lines.append(_key_line(analysis, change, below, sets[number:]))
    return lines


def _key_line(analysis: Analysis, here: Key | KeyChange, below: float, sets: tuple[NoteSet, ...]) -> str:
    """`sets`: of this key and those that come after it."""
    same = same_notes(here)[:1] if sets[0].notes else []
    rivals = [f"{c.tonic} {c.mode} ({percent(c.probability)})" for c in _offered(here, same)]
    from_s = here.at_s if isinstance(here, KeyChange) else None
    where = "" if from_s is None else f" from {bar_or_time(analysis.grid, from_s)} on"
    begin = f"Key: {here.tonic} {here.mode}{where} is {percent(sure_of_key(here))} sure{or_else(rivals)}"
    if not same:
        return f"{begin} Hear on which note it rests; chromatic is safe until then."
    why = f"The notes are the same in {same[0].tonic} {same[0].mode}"
    return f"{begin} Hear on which note it rests. {why}: {_settings(analysis, sets, from_s)}."


def _offered(here: Key | KeyChange, same: list[KeyCandidate]) -> list[KeyCandidate]:
    """The two likeliest other keys; one that is named for its notes is one of them."""
    rivals = rival_keys(here)
    return worth_naming(rivals) if not same or same[0] in rivals[:2] else [*rivals[:1], *same]


def _settings(analysis: Analysis, sets: tuple[NoteSet, ...], from_s: float | None) -> str:
    """What pitch correction can be set to, stretch by stretch."""
    first, *later = sets
    now = "now" if from_s is None else f"from {session_place(analysis.grid, from_s)} on"
    until = [f"until {bar_or_time(analysis.grid, held.start_s)}" for held in later[:1]]
    said = f"pitch correction can be set to {', '.join([_notes(first, now), *until])}"
    for held in later:
        place = session_place(analysis.grid, held.start_s)
        what = _notes(held, "") if held.notes else f"chromatic, until {held.key} is checked"
        said += f"; from {place} on {what}"
    return said


def _notes(held: NoteSet, when: str) -> str:
    """'F, G, A flat now (the chords also sound E)'."""
    also = also_words(held.beside, held.perhaps)
    return " ".join(filter(None, [", ".join(held.notes), when, f"({also})" if also else ""]))


def tuning_lines(tuning: Tuning, below: float, flag_cents: float, by_hand: Correction) -> list[str]:
    """A tuning beside A4 = 440 Hz, one that moves, and layers that are apart."""
    if course := tuning_course(tuning):
        what = "it moves" if tuning.layer_cents is None else "two layers are apart"
        return [f"Tuning: {what}, {course[1]}. No one A4 is right: hear a long note of each part against it."]
    if tuning.cents is None or by_hand.tuning_cents is not None or abs(tuning.cents) <= flag_cents:
        return []
    side = "above" if tuning.cents > 0 else "below"
    found = f"{abs(tuning.cents):.0f} cents {side} A4 = 440 Hz"
    if tuning.confidence < below:
        sure = f"{found} is {percent(tuning.confidence)} sure"
        return [f"Tuning: {NOT_MEASURED}; {sure}. Hear a long note against it before you change it."]
    a4 = tuning.a4_hz or 440 * 2 ** (tuning.cents / 1200)
    return [f"Tuning: {found}. Set pitch correction to A4 = {a4:.1f} Hz and hear a long note against it."]
