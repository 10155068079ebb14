"""The report in plain words: numbers as people say them, and the list of what needs ears."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from analyzers.harmony.key_change import key_begin, later_changes
from analyzers.harmony.spelling import blues_name, key_name
from analyzers.model import Analysis, Flag, Grid, Key, Tuning
from analyzers.rhythm.bars import bar_holding, bar_lines, change_s, nearest_bar
from analyzers.rhythm.note_values import beat_note, in_quarters
from daemon.core.names import ears_words, format_tempo, tempo_words
from daemon.core.text import one_line
from daemon.report.ear_topics import ear_words
from daemon.report.parts import Claim, Cut

# common practice: what is bent on purpose lies between two notes and is no fault to correct
BENT = "a blues bends third, fifth and seventh: correct them slowly or not at all"
NOT_MEASURED = "not measurable, leave A4 = 440 Hz"  # a tuning that is not sure
HEARD_MS = 10  # lines that lie so far beside the song's hits are heard (common practice)
HOLDS_S = 0.001  # a tempo is said so exactly that it is no further off at the end
LIMITS = {
    "loudness": ", the level this studio works at",
    "true peak": ", its peaks allow no more",
}  # of a gain
SAID_DB = 0.05  # a smaller gain is not worth a word
FILE_FIRST = re.compile(r"[^:]+\.\w{2,4}: ")
FIRST_BAR = "first bar"  # topic of the song's bar one, which is not always bar 1 of the session
KEYS_LATER = 2  # key changes that a line names
INSIDE_S = 0.05  # what reaches no further into a bar does not lie in it
LONG_PLACE_S = 0.5  # a place so long is told with its end


def percent(confidence: float) -> str:
    """A probability as a person says it; no estimate is certain."""
    return f"{min(int(confidence * 100 + 0.5), 99)} %"


def seconds(value: float, digits: int = 2) -> str:
    """3.43 s, 1 min 04.20 s, −0.07 s."""
    minutes, rest = divmod(round(abs(value), digits), 60)
    sign = "−" if value < 0 and round(value, digits) else ""
    width = digits + 3
    return (
        f"{sign}{int(minutes)} min {rest:0{width}.{digits}f} s" if minutes else f"{sign}{rest:.{digits}f} s"
    )


def glance_tempo(grid: Grid, duration_s: float) -> str | None:
    """As many digits as hold to the end of the song within 1 ms; a moving tempo as its whole range."""
    if grid.tempo_bpm is None:
        return None
    if several_tempi(grid):
        tempi = [bpm for _, bpm in grid.tempo_curve] or [grid.tempo_bpm]
        low, high = round(min(tempi)), round(max(tempi))
        return f"{low} to {high}" if high > low else f"about {low}"
    return _held_tempo(grid.tempo_bpm, duration_s)


def _held_tempo(bpm: float, length_s: float) -> str:
    for digits in range(4):
        if abs(round(bpm, digits) / bpm - 1) * length_s <= HOLDS_S:
            return format_tempo(round(bpm, digits))
    return format_tempo(bpm)


def tempi_words(grid: Grid, bpm: float) -> str:
    """A tempo, or another count of the same beats: '70'; where it changes once '45, then 60'; where it moves
    'about 43.5'.
    """
    if not several_tempi(grid) or grid.tempo_bpm is None:
        return format_tempo(round(bpm, 2))
    if change_s(grid) is None:
        return f"about {format_tempo(round(bpm, 1))}"
    return ", then ".join(format_tempo(round(at * bpm / grid.tempo_bpm, 2)) for _, at in grid.tempo_curve)


def moves(grid: Grid) -> bool:
    return grid.tempo_bpm is not None and grid.constant_tempo is False


def several_tempi(grid: Grid) -> bool:
    """Whether one number does not say the tempo; a beat that starts anew may keep it."""
    return moves(grid) and not (grid.restarts and len({bpm for _, bpm in grid.tempo_curve}) == 1)


def tempo_course(grid: Grid) -> str:
    """'moves from 85 BPM on', as a session is set before its tempo map is there; where the tempo changes
    once '118 BPM, from bar 15 on 112.14 BPM', each with the digits that hold over its part; off its count
    '121 BPM, beat starts anew at bar 22'."""
    tempi = [bpm for _, bpm in grid.tempo_curve] or [grid.tempo_bpm or 0.0]
    change = change_s(grid)
    if change is None:
        return f"moves from {format_tempo(round(tempi[0], 1))} {unit(grid)} on"
    place, (begin, *_, end) = session_place(grid, change), grid.beats_s
    if grid.restarts and round(tempi[0], 1) == round(tempi[-1], 1):
        return f"{_held_tempo(tempi[0], end - begin)} {unit(grid)}, beat starts anew at {place}"
    first, last = _held_tempo(tempi[0], change - begin), _held_tempo(tempi[-1], end - change)
    return f"{first} {unit(grid)}, from {place} on {last} BPM" + (
        ", where the beat starts anew" if grid.restarts else ""
    )


def motion(grid: Grid) -> str:
    """', moving', ', beat starts anew'; empty for a constant tempo."""
    if not moves(grid):
        return ""
    return ", beat starts anew" if grid.restarts else ", moving"


def steady_part(grid: Grid) -> str:
    """' from bar 5 on', ' up to bar 29', ' from bar 5 to bar 29': where attacks bear a constant tempo out;
    empty for the whole."""
    ends = grid.steady_from_s, grid.steady_to_s
    first, last = (None if at is None else session_place(grid, at) for at in ends)
    if first and last:
        return f" from {first} to {last}"
    return f" from {first} on" if first else f" up to {last}" if last else ""


def tempo_line(grid: Grid, duration_s: float) -> str:
    """'140 BPM', '85 to 87 BPM, moving', '121 BPM, beat starts anew', 'no tempo'; in 6/8 with the session's
    tempo: '75 BPM (dotted quarter; 112.5 in quarters)'.
    """
    return tempo_words(tempo_facts(grid, duration_s))


def tempo_facts(grid: Grid, duration_s: float) -> dict[str, Any]:
    """What is kept of a beat for `tempo_words`."""
    return {
        "tempo_bpm": grid.tempo_bpm,
        "tempo_shown": glance_tempo(grid, duration_s),
        "tempo_motion": motion(grid),
        "tempo_note": beat_note(grid),
        "tempo_quarters": quarters_tempo(grid, duration_s),
    }


def quarters_tempo(grid: Grid, duration_s: float) -> str | None:
    """'112.5': what the session's tempo says, where that is another number than the beat's."""
    return glance_tempo(in_quarters(grid), duration_s) if beat_note(grid) else None


def unit(grid: Grid) -> str:
    """'BPM'; with the note that it counts where that is no quarter: 'BPM (dotted quarter)'."""
    note = beat_note(grid)
    return f"BPM ({note})" if note else "BPM"


def tuning_course(tuning: Tuning) -> tuple[str, str] | None:
    """'moves' and '-13 cents in the first third, +13 cents in the last third', or 'two layers' and '+2 cents
    and -37 cents'; None where there is one tuning."""
    if tuning.layer_cents is not None and tuning.cents is not None:
        return "two layers", f"{cents_words(tuning.cents)} and {cents_words(tuning.layer_cents)}"
    thirds = zip(("first", "middle", "last"), tuning.thirds_cents, strict=False)
    told = ", ".join(f"{cents_words(at)} in the {name} third" for name, at in thirds if at is not None)
    return ("moves", told) if told else None


def counted(grid: Grid) -> str:
    """'4 beats to the bar (4/4)'."""
    return (
        f"{grid.beats_per_bar} beats to the bar ({grid.meter})" if grid.meter and grid.beats_per_bar else ""
    )


def bar_or_time(grid: Grid, at_s: float) -> str:
    """'bar 17 (30.00 s)': the nearest bar line where there are any."""
    lines = bar_lines(grid)
    return f"bar {nearest_bar(lines, at_s)} ({seconds(at_s)})" if lines else seconds(at_s)


def session_place(grid: Grid, at_s: float) -> str:
    """'bar 17'; seconds without a grid."""
    lines = bar_lines(grid)
    return f"bar {nearest_bar(lines, at_s)}" if lines else seconds(at_s)


def flag_words(flag: Flag, grid: Grid) -> str:
    """What is said of a fault, with its places: 'Dropouts of up to 3.0 ms at bar 3 (5.20 s) and 4 more.'"""
    said = [_place(grid, *place) for place in flag.places_s]
    more = int(flag.amount or 0) - len(said) if flag.unit == "places" else 0
    said += [f"{more} more"] if said and more > 0 else []
    return sentence(flag.text.rstrip(". ") + (f" at {listed(said)}" if said else ""))


def _place(grid: Grid, start_s: float, end_s: float) -> str:
    """'bars 9 to 16 (12.00 s to 24.00 s)', 'bar 3 (5.20 s)'."""
    lines = bar_lines(grid)
    first, last = (bar_holding(lines, at) for at in (start_s, max(end_s - INSIDE_S, start_s)))
    long = end_s - start_s >= LONG_PLACE_S
    when = f"{seconds(start_s)} to {seconds(end_s)}" if long else seconds(start_s)
    if first is None or last is None:
        return when
    return f"bars {first} to {last} ({when})" if last > first else f"bar {first} ({when})"


def listed(words: Sequence[str]) -> str:
    """'a, b and c'."""
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def key_line(key: Key) -> str | None:
    """'D flat major, then E flat major', 'blues in A'; None without a key."""
    if key.blues is not None:
        return blues_name(key.blues.tonic, key.blues.minor)
    first = key_name(key.tonic, key.mode)
    return first and ", ".join([first, *later_keys(key)])


def later_keys(key: Key) -> list[str]:
    """'then E flat major', for the changes that a line names."""
    return [f"then {c.tonic} {c.mode}" for c in later_changes(key)[:KEYS_LATER]]


def key_from(key: Key, grid: Grid) -> list[str]:
    """'from bar 5 on, no key before it', where a song opens without a key."""
    begin = key_begin(key)
    return [f"from {bar_or_time(grid, begin.at_s)} on, no key before it"] if begin else []


def first_line(name: str, analysis: Analysis, cut: Cut, ears: Sequence[str]) -> str:
    """'amber-lane.wav: 92 BPM, E flat minor, song starts at bar 1, check key, noise by ear': it is enough;
    `ears` are the sentences of what is to be checked.
    """
    grid, key = analysis.grid, analysis.key
    tempo = tempo_line(grid, analysis.duration_s)
    check = ears_words({"ear_words": ear_words(ears, analysis.flags)})
    found = (tempo, key_line(key) or "no key", start_words(cut), check)
    return one_line(f"{name}: {', '.join(filter(None, found))}")


def start_words(cut: Cut) -> str:
    """Which bar of the session the song's first one is."""
    if cut.bar_one_in_copy_s is None:
        return "not on a bar line"
    return f"song starts at bar {cut.bars_before_bar_one + 1}"


def asks_for_ears(copy_warnings: Iterable[str]) -> bool:
    """Does the copy begin inside a sound, so that a person must hear how it begins?"""
    return any("listen" in warning for warning in copy_warnings)


def sentence(text: str) -> str:
    """With a capital first letter, unless it begins with a file's name, and one full stop."""
    text = text.strip().rstrip(".")
    first = text[:1] if FILE_FIRST.match(text) else text[:1].upper()
    return f"{first}{text[1:]}." if text else ""


def stems_words(above_db: float) -> str:
    """'stems 3.7 dB louder': their sum than the copy; empty where it is not."""
    if abs(above_db) < SAID_DB:
        return ""
    return f"stems {abs(above_db):.1f} dB {'louder' if above_db > 0 else 'softer'}"


def signed(value: float, digits: int = 0) -> str:
    """With a real minus sign and never "-0"."""
    rounded = round(value, digits)
    if rounded == 0:
        return f"{0:.{digits}f}"
    return f"{'+' if rounded > 0 else '−'}{abs(rounded):.{digits}f}"


def cents_words(value: float) -> str:
    """'+1 cent', '−13 cents', '0 cents'."""
    return f"{signed(value)} {cents_unit(value)}"


def cents_unit(value: float) -> str:
    return "cent" if abs(round(value)) == 1 else "cents"


def claim_words(claim: Claim) -> str:
    """'150 BPM', 'C minor'."""
    return f"{format_tempo(claim.value)} BPM" if isinstance(claim.value, float) else claim.value
