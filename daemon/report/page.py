"""The report page: one HTML file that needs nothing but itself, the answer first and large.

It works from a file share and without scripts. All text from outside (file names, tags,
claims) passes Jinja2's autoescape; values for the small script travel as JSON.
"""

from __future__ import annotations

import re
from functools import cache
from urllib.parse import quote

from jinja2 import Environment

from analyzers.model import Grid
from analyzers.rhythm.bars import change_s
from analyzers.rhythm.note_values import NoteValue, beat_note, in_quarters, note_values
from daemon.core.names import BOARD_FILE, format_tempo
from daemon.corrections.files import CORRECTION_FILE
from daemon.report.ear_topics import ear_words, topics
from daemon.report.listening import listening
from daemon.report.null_words import null_words
from daemon.report.page_chords import chord_bars, chord_sections
from daemon.report.page_corrections import correction_sample, fixes
from daemon.report.page_glance import glance
from daemon.report.parts import OTHER_MUSIC, Files, stems_above_db
from daemon.report.pictures import (
    beat_picture,
    cut_picture,
    key_picture,
    loudness_picture,
    tempo_picture,
)
from daemon.report.report import Report
from daemon.report.rivals import WORTH_SAYING, counted_words
from daemon.report.templating import templates
from daemon.report.waveform import Waveform
from daemon.report.words import (
    bar_or_time,
    claim_words,
    flag_words,
    key_line,
    percent,
    seconds,
    sentence,
    session_place,
    several_tempi,
    signed,
    stems_words,
    tempo_line,
)

LEVEL_UNITS = ("dB", "dBFS", "dBTP", "LUFS")
COUNTED = ("beats", "bars", "places", "cents")
FORMATS = {"OGG": "Ogg", "AIFF": "AIFF", "stems": "stems", "MPEG": "MP3"}
SUBTYPES = {
    "MPEG_LAYER_III": "MP3",
    "MPEG_LAYER_II": "MPEG layer 2",
    "VORBIS": "Vorbis",
    "OPUS": "Opus",
    "FLOAT": "32-bit float",
    "DOUBLE": "64-bit float",
}


@cache
def environment() -> Environment:
    """The templates with the filters that speak of numbers."""
    env = templates()
    filters = (percent, seconds, signed, sentence, link, amount, tight, measured, format_words)
    env.filters.update({filter_.__name__: filter_ for filter_ in filters}, tempo=format_tempo)
    env.globals["worth_saying"] = WORTH_SAYING
    return env


def link(name: str) -> str:
    """A relative address of a file beside the page."""
    return "./" + quote(name)


def amount(value: bool | float | str | None, digits: int = 2) -> str:
    """Any value of an estimate or its evidence as a person writes it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        text = f"{value:.{digits}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
        return "0" if text == "-0" else text.replace("-", "−")
    return value or ""


def measured(value: bool | float | str | None, unit: str | None, digits: int = 2) -> str:
    """A value with its unit; a level has its sign and one digit, everywhere the same."""
    if isinstance(value, float | int) and not isinstance(value, bool) and unit in LEVEL_UNITS:
        return f"{signed(value, 1)} {unit}"
    text = amount(value, digits)
    if unit is None or value is None:
        return text
    what, *rest = unit.split(" ")
    one = what in COUNTED and text in ("1", "-1")
    return " ".join([text, what.removesuffix("s") if one else what, *rest])


def format_words(format_: str, subtype: str) -> str:
    """'MP3', 'Ogg, Vorbis', 'WAV, 24-bit': what a file is, without the names that libraries give it."""
    coded = SUBTYPES.get(subtype) or re.sub(r"^(?:PCM|ALAC)_[SU]?(\d+)$", r"\1-bit", subtype)
    return ", ".join(dict.fromkeys([FORMATS.get(format_, format_), coded.replace("_", " ")]))


def tight(text: str) -> str:
    """No line break between a number and its unit, a minus sign that is one, and no sign before zero."""
    text = re.sub(r"(?<!\S)-(?=\d)", "−", text)
    text = re.sub(r"(?<!\S)[+−](?=0\.0 (?:dB|LU))", "", text)
    return re.sub(r"(?<=\d) (?=(%|s|ms|dB|LU|LUFS|dBTP|BPM|cents|Hz)\b|%)", "\N{NO-BREAK SPACE}", text)


def delay_rows(bpm: float | None) -> list[tuple[str, tuple[NoteValue, ...]]]:
    """(note, (plain, dotted, triplet)) from a half note to a 1/32; `bpm` counts quarters."""
    values = note_values(bpm)
    names = dict.fromkeys(value.note for value in values)
    return [(note, tuple(v for v in values if v.note == note)) for note in names if note != "1/1"]


def delay_tables(grid: Grid) -> list[tuple[str, list[tuple[str, tuple[NoteValue, ...]]]]]:
    """(of which tempo, rows): one, or one for each side of a place where the tempo changes once."""
    quarters, note = in_quarters(grid), beat_note(grid)
    if grid.tempo_bpm is None or quarters.tempo_bpm is None:
        return []
    if not several_tempi(grid):
        shown = format_tempo(quarters.tempo_bpm)
        beats = f"quarters a minute ({format_tempo(grid.tempo_bpm)} BPM, {note})" if note else "BPM"
        return [(f"{shown} {beats}", delay_rows(quarters.tempo_bpm))]
    counted = "quarters a minute" if note else "BPM"
    change = change_s(grid)
    if change is None:
        mean = round(quarters.tempo_bpm, 2)
        return [(f"the mean tempo, {format_tempo(mean)} {counted}", delay_rows(mean))]
    (_, first), (_, second) = quarters.tempo_curve
    place = session_place(grid, change)
    sides = ((round(first, 2), f"up to {place}"), (round(second, 2), f"from {place} on"))
    return [(f"{format_tempo(bpm)} {counted}, {where}", delay_rows(bpm)) for bpm, where in sides]


def render_page(report: Report, waveform: Waveform, sure: float) -> str:
    """The page as text. `sure`: least confidence of what is taken at its word."""
    analysis, waveform = report.in_session(), waveform.moved(-report.cut.zero_s)
    pictures = {
        "beat": beat_picture(analysis, waveform.whole),
        "cut": cut_picture(analysis, report.cut, waveform.cut),
        "tempo": tempo_picture(analysis, report.cut),
        "key": key_picture(analysis),
        "loudness": loudness_picture(analysis),
    }
    heard = listening(analysis.loudness)
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            analysis=analysis,
            title=report.drop.name,
            rows=glance(report, analysis, sure),
            pictures=pictures,
            chord_sections=chord_sections(chord_bars(analysis, sure)),
            listening=heard,
            files=beside(report.files),
            nulls={
                stem.name: null_words(
                    stem.null, lambda at_s: bar_or_time(analysis.grid, at_s - report.cut.zero_s)
                )
                for stem in report.stems
                if stem.null
            },
            flag_words=flag_words,
            claims=[(c, claim_words(c)) for c in report.claims],
            delays=delay_tables(analysis.grid),
            several_tempi=several_tempi(analysis.grid),
            counted=counted_words(analysis.grid),
            tempo_line=tempo_line(analysis.grid, analysis.duration_s),
            key_line=key_line(analysis.key) or "no key",
            other_music=OTHER_MUSIC,
            stems_above=stems_words(stems_above_db(report.stems, report.aligned_copy)),
            ears=[line.partition(": ") for line in report.check_by_ear],
            ear_topics=topics(report.check_by_ear),
            ear_words=ear_words(report.check_by_ear, analysis.flags),
            fixes=fixes(report),
            correction_file=CORRECTION_FILE,
            correction_sample=correction_sample(report),
            board=BOARD_FILE,
            facts={
                "start": waveform.whole.start_s,
                "end": waveform.whole.end_s,
                "start_db": heard.start_db,
            },
        )
    )


def beside(files: Files) -> list[tuple[str, str]]:
    """(name, what it is) of the files that are taken into a session or read elsewhere."""
    found = [
        (files.session, "session (DAWproject)"),
        (files.aaf, "session (AAF)"),
        (files.aligned_copy, "aligned copy"),
        (files.map, "tempo map (MIDI)"),
        (files.guide, "harmony guide"),
        (files.card, "card in plain text"),
        (files.report, "data"),
    ]
    return [(name, what) for name, what in found if name]
