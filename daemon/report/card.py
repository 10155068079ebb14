"""The card: the answer in plain text, for a terminal, a message or a phone.

The first line is enough by itself; the others are short, nothing but text and spaces; bars and seconds are
those of the session (bar 1 and zero are where the copy starts).
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from itertools import chain, groupby

from analyzers.harmony.note_sets import NoteSet
from analyzers.harmony.spelling import short_name
from analyzers.model import Analysis
from analyzers.rhythm.bars import bar_lines
from daemon.core.text import one_line
from daemon.export.guide import also_words
from daemon.report.answers import GAIN, LIMITED_BY
from daemon.report.keyboard import on_keyboard
from daemon.report.listening import is_loud
from daemon.report.page_chords import ChordBar, chord_bars
from daemon.report.parts import stems_above_db
from daemon.report.report import Report
from daemon.report.words import (
    BENT,
    FIRST_BAR,
    LIMITS,
    NOT_MEASURED,
    SAID_DB,
    cents_words,
    first_line,
    moves,
    percent,
    quarters_tempo,
    seconds,
    session_place,
    signed,
    start_words,
    steady_part,
    stems_words,
    tempo_course,
    tuning_course,
)

WIDTH = 58
BARS_A_LINE = 4
LAST_BARS = 2  # lines of bars after the song's end that the file still holds, at most
LOOPS = (1, 2, 4)  # lines of a repeated passage


def card(report: Report, note_sets: Sequence[NoteSet], sure: float) -> str:
    """The whole card, ending in a line feed; `note_sets` and `sure` are those of the score."""
    analysis = report.in_session()
    first = first_line(report.drop.name, analysis, report.cut, report.check_by_ear)
    paragraphs = [
        *_facts(report, analysis, sure),
        *_notes(report, analysis, note_sets),
        *_ears(report),
        *_chords(analysis, sure),
    ]
    lines = [first, *(line for text in paragraphs for line in _short(text))]
    return "\n".join(lines).replace("−", "-").rstrip() + "\n"


def _short(text: str) -> list[str]:
    """The text on lines that fit; what goes on is set in by two more than it began."""
    plain = one_line(text)
    begin = len(plain) - len(plain.lstrip())
    return textwrap.wrap(plain, WIDTH, subsequent_indent=" " * (begin + 2), break_on_hyphens=False) or [""]


def _facts(report: Report, analysis: Analysis, sure: float) -> list[str]:
    grid, cut, tuning = analysis.grid, report.cut, analysis.tuning
    found = []
    if report.drop.pack:
        found.append(f"From the pack: {report.drop.pack}")
    if report.drop.other_mixes:
        found.append(f"Other mixes of it: {', '.join(report.drop.other_mixes)}")
    if grid.tempo_bpm is not None:
        part = steady_part(grid)
        held = f"constant{part or _doubt(grid.constant_confidence, sure)}"
        course = f"{tempo_course(grid)}, take the tempo map" if moves(grid) else held
        meter = f"; {grid.meter}{_doubt(grid.meter_confidence, sure)}" if grid.meter else ""
        found.append(f"Tempo: {course}{meter}")
        if quarters := quarters_tempo(grid, analysis.duration_s):
            found.append(f"In quarters, as a session counts: {quarters} BPM")
    start, at_s = start_words(cut), cut.bar_one_in_copy_s
    when = f" ({seconds(at_s)})" if at_s is not None and cut.bars_before_bar_one else ""
    found.append(f"Start: {cut.why.replace(start, f'{start}{when}', 1)}")
    if parts := tuning_course(tuning):
        found.append(f"Tuning: {', '.join(parts)}")
    elif tuning.cents is not None and tuning.a4_hz is not None and tuning.confidence >= sure:
        apart = f"{cents_words(tuning.cents)}, A4 = {tuning.a4_hz:.1f} Hz"
        found.append(f"Tuning: {apart if round(tuning.cents) else 'A4 = 440 Hz'}")
    elif analysis.key.tonic is not None:
        found.append(f"Tuning: {NOT_MEASURED}")
    by_hand = [name for name, answer in report.answers if answer and answer.set_by_hand]
    if by_hand:
        found.append(
            f"Set by hand: {', '.join(FIRST_BAR if name == 'bar_one' else name for name in by_hand)}"
        )
    return [*found, *_level(report)]


def _doubt(confidence: float, sure: float) -> str:
    """' (66 % sure)' of what is not; ' (assumed)' of what was not looked for."""
    return "" if confidence >= sure else f" ({percent(confidence)} sure)" if confidence else " (assumed)"


def _level(report: Report) -> list[str]:
    """What to do with the fader, then what the copy has."""
    loudness, peak = report.answers.integrated_loudness, report.answers.true_peak
    if loudness.value is None:
        return []
    level, told = float(loudness.value), {item.what: item.value for item in loudness.evidence}
    gain_db, limit = float(told.get(GAIN) or 0.0), LIMITS.get(str(told.get(LIMITED_BY)), "")
    turn = (
        f"turn it {'down' if gain_db < 0 else 'up'} {abs(gain_db):.1f} dB: {signed(level + gain_db, 1)} LUFS"
    )
    now = f"  now {signed(level, 1)} LUFS"
    if peak.value is not None:
        now += f", true peak {signed(float(peak.value), 1)} dBTP"
    if stems := stems_words(stems_above_db(report.stems, report.aligned_copy)):
        now += f" ({stems})"
    loud = ["  It is loud: turn down before you listen."] if is_loud(level) else []
    return [f"Level: {turn if abs(gain_db) >= SAID_DB else 'leave the fader'}{limit}", now, *loud]


def _notes(report: Report, analysis: Analysis, note_sets: Sequence[NoteSet]) -> list[str]:
    """The set for pitch correction, said again only where it changes; what the chords add, apart from it.

    What rings out in the last bars is not worth a line where it has no note that was not said.
    """
    found: list[str] = []
    said, told, keyed = None, set[str](), set[str]()
    ends_s = min((at_s for _, at_s in bar_lines(analysis.grid)[-LAST_BARS:]), default=analysis.duration_s)
    for (key, notes, *more), run in groupby(note_sets, key=lambda s: (s.key, s.notes, s.beside, s.perhaps)):
        at_s = next(run).start_s
        if (key, notes) == said and at_s >= ends_s and told.issuperset(chain(*more)):
            continue
        place = session_place(analysis.grid, at_s) if found else "from the start"
        if not notes:
            found.append(f"  {place}: chromatic" + (f", until {key} is checked" if key else ""))
            said = None
            continue
        bent = [f"    {BENT}"] if analysis.key.blues is not None and not found else []
        again = "the same notes" if any(more) else "the same notes alone"
        which = again if (key, notes) == said else f"{' '.join(map(short_name, notes))} ({key})"
        found += [f"  {place}: {which}", *bent]
        said, told = (key, notes), set(chain(*more))
        if also := also_words(*([*map(short_name, names)] for names in more)):
            found.append(f"    {also}")
        if keys := on_keyboard(note for note in (*notes, *chain(*more)) if note not in keyed):
            found.append(f"    on a keyboard {short_name(keys)}")
        keyed |= {*notes, *chain(*more)}
    return ["", "Notes for pitch correction", *found]


def _chords(analysis: Analysis, sure: float) -> list[str]:
    """Four bars a line; what comes again at once is written once, with how often."""
    bars = [bar for bar in chord_bars(analysis, sure) if bar.number >= 1]
    if not bars:
        return []
    found = ["", "Chords by bar (?: by ear)" if any(any(bar.doubted) for bar in bars) else "Chords by bar"]
    for section in _sections(bars):
        found.append(f"  {section[0].section or '-'}")
        rows = [section[k : k + BARS_A_LINE] for k in range(0, len(section), BARS_A_LINE)]
        texts = [_row(row) for row in rows]
        at = 0
        while at < len(rows):
            size, times = _loop(texts, at)
            for k in range(at, at + size):
                found.append(f"    {_span(rows[k])}: {texts[k]}")
            at += size * times
            if times > 1:
                found.append(f"      to bar {rows[at - 1][-1].number}: the same, {times} times in all")
    return found


def _loop(texts: Sequence[str], at: int) -> tuple[int, int]:
    """(lines, times) of what is repeated from a line on; (1, 1) when nothing is."""
    best = (1, 1)
    for size in LOOPS:
        loop, times = texts[at : at + size], 1
        while len(loop) == size and texts[at + times * size : at + (times + 1) * size] == loop:
            times += 1
        if times > 1 and size * times > best[0] * best[1]:
            best = (size, times)
    return best


def _span(row: Sequence[ChordBar]) -> str:
    a, b = row[0].number, row[-1].number
    return f"{a}-{b}" if b > a else f"{a}"


def _sections(bars: Sequence[ChordBar]) -> Iterable[list[ChordBar]]:
    held: list[ChordBar] = []
    for bar in bars:
        if bar.section and held:
            yield held
            held = []
        held.append(bar)
    yield held


def _row(bars: Sequence[ChordBar]) -> str:
    return " | ".join(" ".join(bar.written).replace("–", "N.C.") or "N.C." for bar in bars)


def _ears(report: Report) -> list[str]:
    if not report.check_by_ear:
        return ["", "Nothing needs ears."]
    return ["", "Check by ear", *(f"  {line}" for line in report.check_by_ear)]
