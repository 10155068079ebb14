"""What needs a person's ears, in sentences: "Tempo: 140 BPM is 62 % sure; it could be 93 (20 %)."."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from analyzers.model import Analysis, Grid, OtherLevel
from analyzers.rhythm.bars import SHORTEST_PICKUP_BEATS, change_s
from daemon.core.names import format_tempo
from daemon.corrections.apply import Correction
from daemon.report.ears_file import file_lines, flag_line
from daemon.report.ears_pitch import key_lines, tuning_lines
from daemon.report.null_words import null_lines
from daemon.report.parts import Claim, Cut, StemLine
from daemon.report.rivals import (
    counted_words,
    if_any,
    in_meter,
    open_level,
    or_else,
    rival_meters,
    rival_places,
    rival_tempi,
    worth_naming,
)
from daemon.report.trimmed_words import trimmed_lines
from daemon.report.words import (
    HEARD_MS,
    asks_for_ears,
    bar_or_time,
    claim_words,
    glance_tempo,
    moves,
    percent,
    seconds,
    sentence,
    session_place,
    tempo_course,
    unit,
)

HAIR_S = 0.001
BEGINS_INSIDE = (
    "Start: the copy begins inside a sound. Hear its first moment: fade in where it clicks; where a note is "
    "cut, take it from the producer's file."
)


def check_by_ear(
    analysis: Analysis,
    *,
    below: float,
    tuning_flag_cents: float,
    warnings: Iterable[str] = (),
    claims: Iterable[Claim] = (),
    stems: Sequence[StemLine] = (),
    correction: Correction | None = None,
    cut: Cut | None = None,
    copy_warnings: Iterable[str] = (),
) -> tuple[str, ...]:
    """Sentences "Topic: what and why", most important first, each with what to hear; empty when nothing is.

    `analysis` has the correction applied already; what is set by hand needs no ears. With a `cut` it is the
    session's view of it (`daemon.export.sessionview`), else in the time of the producer's file.
    """
    by_hand, begins_inside = correction or Correction(), asks_for_ears(copy_warnings)
    file_first, file_last = file_lines(tuple(warnings), analysis)
    lines = [
        *file_first,
        *trimmed_lines(stems, analysis.grid),
        *_tempo_lines(analysis.grid, glance_tempo(analysis.grid, analysis.duration_s), below, by_hand),
        *_bar_lines(analysis, below, by_hand, cut),
        *_moved_lines(by_hand, cut),
        *_late_lines(by_hand, cut),
        *_hardly_before(analysis, by_hand, cut),
        *([BEGINS_INSIDE] if begins_inside else []),
        *key_lines(analysis, below, by_hand),
        *(tuning_lines(analysis.tuning, below, tuning_flag_cents, by_hand) if analysis.key.tonic else []),
        *_claim_lines(claims, by_hand),
        *(flag_line(flag, analysis.grid, cut) for flag in analysis.flags if flag.severity == "warning"),
        *file_last,
        *_stem_lines(stems),
        *null_lines(stems, lambda at_s: bar_or_time(analysis.grid, at_s - (cut.zero_s if cut else 0.0))),
    ]
    return tuple(dict.fromkeys(lines))


def _tempo_lines(grid: Grid, shown: str | None, below: float, by_hand: Correction) -> list[str]:
    if grid.tempo_bpm is None:
        guess = if_any(grid)
        return [
            f"Tempo: none. {sentence(grid.reason or 'no steady beat was found')} The copy is on no grid. "
            f"Hear whether it has a beat that can be counted{f', {guess}' if guess else ''}."
        ]
    lines, counted = [], counted_words(grid)
    if grid.tempo_confidence < below and by_hand.tempo_bpm is None:
        rivals = [
            f"{format_tempo(round(c.bpm, 2))}{in_meter(grid, c.bpm)} ({percent(c.probability)})"
            for c in worth_naming(rival_tempi(grid))
        ]
        same = f" It {counted}, on the same grid." if counted and open_level(grid) is None else ""
        lines.append(
            f"Tempo: {shown} {unit(grid)} is {percent(grid.tempo_confidence)} sure{or_else(rivals)}{same} "
            "Listen to the click check."
        )
    if by_hand.tempo_bpm is None and open_level(grid) is not None:
        lines.append(
            f"Tempo: {shown} {unit(grid)} {counted}; the grid is the same. "
            "Hear which one the song is counted in."
        )
    if moves(grid):
        how = f"it moves, {shown} {unit(grid)}"
        hear = "first and the last bars: hear those between against the session's own click."
        if grid.restarts:
            place = session_place(grid, grid.restarts[0].at_s)
            why = "a pause, a cut, a shorter bar or another beat"
            how = f"it starts anew at {place}, off the count before: {why}"
            hear = "bars around it, too: hear them, and ask for another bounce if it is a fault."
        elif change_s(grid) is not None:
            how = f"it changes once: {tempo_course(grid)}"
            hear = "bars around the change, too: hear them."
        unsure = grid.constant_confidence < below and by_hand.tempo_bpm is None
        sure = f" ({percent(grid.constant_confidence)} sure)" if unsure else ""
        lines.append(
            f"Tempo: {how}{sure}. Take the tempo map, not one number. The click check has the {hear}"
        )
    elif carried_on := _carried_on(grid) if by_hand.tempo_bpm is None else []:
        lines += carried_on
    elif grid.constant_confidence < below and by_hand.tempo_bpm is None:
        lines.append(
            f"Tempo: that it is constant is {percent(grid.constant_confidence)} sure. "
            "Listen to the end of the click check for drift."
        )
    if grid.other_level is not None and by_hand.tempo_bpm is None:
        lines.append(_level_line(grid, grid.other_level))
    return lines


def _level_line(grid: Grid, level: OtherLevel) -> str:
    """A long part that may be counted at twice or half the tempo."""
    at_s = level.to_s if level.from_s is None else level.from_s
    where = f"{'up to' if level.from_s is None else 'from'} about {session_place(grid, at_s or 0.0)}"
    rate = "twice" if level.bpm > (grid.tempo_bpm or 0.0) else "half"
    return (
        f"Tempo: {where} it may be counted at {format_tempo(round(level.bpm, 2))}: it goes {rate} as fast "
        "there, on the same grid. Hear how that part is counted."
    )


def _carried_on(grid: Grid) -> list[str]:
    """Where bar lines are carried on over music that does not bear them out."""
    lines = []
    if grid.steady_from_s is not None:
        place = session_place(grid, grid.steady_from_s)
        lines.append(
            f"Tempo: before {place} the song may be out of tempo; the bar lines there are carried back from "
            "what follows. Hear it against the click before you edit to them."
        )
    if grid.steady_to_s is not None:
        place = session_place(grid, grid.steady_to_s)
        lines.append(
            f"Tempo: after {place} the song may slow down; the bar lines there are carried on from what "
            "comes before. Hear the end against the click."
        )
    return lines


def _bar_lines(analysis: Analysis, below: float, by_hand: Correction, cut: Cut | None) -> list[str]:
    grid, lead_in, lines = analysis.grid, analysis.lead_in, []
    if grid.tempo_bpm is not None and grid.bar_one_s is None:
        lines.append("First bar: not found. The copy does not start on a bar line. Find the one by ear.")
    elif grid.bar_one_s is not None and grid.bar_one_confidence < below and by_hand.bar_one_s is None:
        either = " or ".join(text for _, text in rival_places(grid)[:2])
        hear = "Check that the click's accent falls on the one."
        if grid.other_start_before:
            hear = (
                "A false start and a pause come before it, off its count: hear them, mute what is not wanted."
            )
        sure = f"is {percent(grid.bar_one_confidence)} sure{f'; it may begin {either}' if either else ''}"
        if by_hand.tempo_bpm is not None and grid.bar_one_confidence == 0.0:
            sure = "is where the first sound is; no bar line was found"
        lines.append(f"First bar: {_bar_one(grid.bar_one_s, cut)} {sure}. {hear}")
    if grid.meter is not None and by_hand.tempo_bpm is not None and grid.meter_confidence == 0.0:
        if by_hand.meter is None:
            lines.append(f"Meter: {grid.meter} is assumed, none was found. Count a few bars.")
    elif grid.meter is not None and grid.meter_confidence < below and by_hand.meter is None:
        rivals = [f"{c.meter} ({percent(c.probability)})" for c in rival_meters(grid)]
        lines.append(
            f"Meter: {grid.meter} is {percent(grid.meter_confidence)} sure{or_else(rivals)} Count a few bars."
        )
    if lead_in.first_sound_s is not None and lead_in.confidence < below:
        lines.append(
            f"Start: first sound at {seconds(lead_in.first_sound_s)} is {percent(lead_in.confidence)} sure. "
            "Check for noise or a soft swell before it."
        )
    return lines


def _moved_lines(by_hand: Correction, cut: Cut | None) -> list[str]:
    """Lines that follow the first hit are the song's no more, where that is heard."""
    if cut is None or cut.session_shift_s == 0.0 or by_hand.bar_one_s is not None:
        return []
    after_s = -cut.session_shift_s if cut.hits_after_lines_s is None else cut.hits_after_lines_s
    off_ms, moved_ms = round(abs(after_s) * 1000), round(abs(cut.session_shift_s) * 1000)
    if off_ms < HEARD_MS:
        return []
    early, side = cut.session_shift_s < 0, "after" if after_s > 0 else "before"
    then = "counts that hit as a pickup" if early else "leaves a gap before that hit"
    how = f"comes {moved_ms} ms {'early' if early else 'late'}"
    how = f"begins softly {moved_ms} ms early" if cut.soft_start else how
    return [
        f"Start: the first hit {how} and takes the bar lines along, so the song's other hits lie {off_ms} ms "
        f"{side} them: hear the click check; correct --bar-one={after_s * 1000:+.0f}ms puts the lines with "
        f"the song and {then}."
    ]


def _late_lines(by_hand: Correction, cut: Cut | None) -> list[str]:
    """A first hit too late for the lines to follow, where the gap ahead of it is heard."""
    late_ms = round(cut.first_hit_late_s * 1000) if cut else 0
    if late_ms <= HEARD_MS or by_hand.bar_one_s is not None:
        return []
    return [
        f"Start: the first hit comes {late_ms} ms after the song's first bar line, which stays where the "
        f"song's other hits are: hear the click check. Nudge that hit where it drags; correct "
        f"--bar-one=+{late_ms}ms puts all bar lines on it, and the other hits {late_ms} ms before them."
    ]


def _hardly_before(analysis: Analysis, by_hand: Correction, cut: Cut | None) -> list[str]:
    """Sound too short for a pickup, though too long for a first hit played early, before the first bar."""
    first_s, bpm = analysis.lead_in.first_sound_s, analysis.grid.tempo_bpm
    if cut is None or cut.bar_one_in_copy_s is None or by_hand.bar_one_s is not None:
        return []
    if first_s is None or bpm is None or cut.bars_before_bar_one == 0:
        return []
    early_s = cut.bar_one_in_copy_s - first_s
    if not HAIR_S < early_s < SHORTEST_PICKUP_BEATS * 60 / bpm:
        return []
    return [
        f"Start: there is sound {early_s * 1000:.0f} ms before the song's first bar, too short for a pickup: "
        f"hear it. Where it is the first hit, correct --bar-one=-{early_s * 1000:.0f}ms puts the lines on it."
    ]


def _bar_one(at_s: float, cut: Cut | None) -> str:
    if cut is None:
        return seconds(at_s)
    return f"bar {cut.bars_before_bar_one + 1} of the copy"


def _claim_lines(claims: Iterable[Claim], by_hand: Correction) -> list[str]:
    settled = {"tempo": by_hand.tempo_bpm is not None, "key": by_hand.key is not None}
    open_claims = [c for c in claims if c.agrees is False and not settled.get(c.question, False)]
    return [
        f"{c.question.capitalize()}: the {c.where} says {claim_words(c)}, {c.relation}. Hear which is right."
        for c in open_claims
    ]


def _stem_lines(stems: Iterable[StemLine]) -> list[str]:
    """What is odd within one stem; silent and inverted ones are named in the warnings of decoding."""
    return [f"Stems: {stem.shown}: {sentence(note)} Hear it alone." for stem in stems for note in stem.notes]
