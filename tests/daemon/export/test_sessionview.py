"""The analysis on the session's clock."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.model import Analysis, BeatRestart, Chord, Flag, KeyChange, Loudness, OtherLevel, Section
from daemon.corrections.apply import Correction, apply_correction
from daemon.export.plan import CutPlan, plan_cut
from daemon.export.score import make_score
from daemon.export.sessionview import LEVELS, in_session
from daemon.report.page_chords import chord_bars
from daemon.report.parts import AlignedCopy
from tests.daemon.sample_report import (
    BAR_ONE_S,
    RATE,
    blues_in_a,
    key_of,
    moving_grid,
    sample_analysis,
    steady_grid,
)

BEAT_S = 60 / 140
BAR_S = 4 * BEAT_S


@pytest.mark.parametrize(
    ("before_beats", "lead_in_bars", "beat"),
    [(1.5, 0, 2), (1.0, 0, 3), (1.0, 1, 7), (0.0, 1, 4), (0.0, 0, 0), (-0.01, 0, 0)],
)
def test_the_first_chord_begins_with_the_beat_of_the_first_sound(before_beats, lead_in_bars, beat):
    """A pickup of 1 1/2 beats in 4/4 starts on the second half of beat 3: its chord is written on beat 3."""
    one_s = BAR_ONE_S + 2.0
    first_s = one_s - before_beats * BEAT_S
    found = sample_analysis(
        grid=steady_grid(bar_one_s=one_s),
        chords=(Chord(0.0, one_s + 4 * BEAT_S, "Ebm", 0.8), Chord(one_s + 4 * BEAT_S, 60.0, "Gb", 0.8)),
    )
    found = replace(found, lead_in=replace(found.lead_in, first_sound_s=first_s))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=lead_in_bars)

    view, score = in_session(found, plan), make_score(found, plan, 0.8)

    assert view.chords[0].start_s == pytest.approx(beat * BEAT_S, abs=1 / RATE)
    assert score.chords[0].start == beat * 960
    assert [c.label for c in view.chords] == ["Ebm", "Gb"]


def test_a_chord_that_ends_before_the_first_sound_is_none():
    found = sample_analysis(
        grid=steady_grid(bar_one_s=BAR_ONE_S),
        chords=(Chord(0.0, BAR_ONE_S + 1e-9, "N", 0.8), Chord(BAR_ONE_S, 60.0, "Gb", 0.8)),  # not by a hair
    )
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=2)

    assert [c.label for c in in_session(found, plan).chords] == ["Gb"]


def test_a_constant_tempo_stays_one_point_where_its_curve_begins_after_the_copy():
    grid = replace(steady_grid(), tempo_curve=((BAR_ONE_S, 140.0),))
    found = sample_analysis(grid=grid)
    early = replace(found, lead_in=replace(found.lead_in, first_sound_s=BAR_ONE_S - BEAT_S))
    plan = plan_cut(early, frames=66 * RATE, rate=RATE)

    assert plan.bars_before_bar_one == 1
    assert in_session(early, plan).grid.tempo_curve == ((0.0, 140.0),)


def test_the_copy_begins_with_the_tempo_that_its_first_sample_has():
    grid = replace(
        steady_grid(),
        constant_tempo=False,
        tempo_curve=((0.0, 139.0), (0.5, 140.0), (9.0, 141.0)),
        restarts=(BeatRestart(8.5, 9.0),),
    )
    found = sample_analysis(grid=grid)
    plan = plan_cut(found, frames=66 * RATE, rate=RATE)

    curve = in_session(found, plan).grid.tempo_curve

    assert [bpm for _, bpm in curve] == [140.0, 141.0]
    assert [at for at, _ in curve] == pytest.approx([0.0, 9.0 - plan.zero_s])


@pytest.mark.parametrize("meter", ["4/4", "6/8"])
def test_a_tempo_that_is_followed_is_that_of_the_map(meter):
    """The curve is smoothed; a beat of 6/8 is a quarter and a half."""
    grid = moving_grid((32, 140.0), (32, 143.0), (32, 138.0))
    grid = replace(grid, tempo_curve=((0.75, 141.0), (10.0, 142.0), (20.0, 139.0)), meter=meter)
    if meter == "6/8":
        grid = replace(grid, beats_per_bar=2, downbeats=tuple(k % 2 == 0 for k in range(len(grid.beats_s))))
    found = sample_analysis(grid=grid)
    plan = plan_cut(found, frames=66 * RATE, rate=RATE)

    curve = in_session(found, plan).grid.tempo_curve
    assert [bpm for _, bpm in curve] == pytest.approx([140.0, 143.0, 138.0], abs=0.01)
    assert [at for at, _ in curve] == pytest.approx(
        [0.0, *(plan.line_in_copy_s(grid.beats_s[k]) for k in (32, 64))], abs=1e-4
    )


def test_a_restart_moves_with_the_lines():
    grid = replace(steady_grid(), constant_tempo=False, restarts=(BeatRestart(8.5, 9.0),))
    found = sample_analysis(grid=grid)
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=1)

    [restart] = in_session(found, plan).grid.restarts

    assert restart.from_s == pytest.approx(plan.line_in_copy_s(8.5))
    assert restart.at_s == pytest.approx(plan.line_in_copy_s(9.0))


def test_a_part_that_may_be_counted_otherwise_moves_with_the_lines_if_the_copy_has_both():
    for level, moves in (
        (OtherLevel(70.0, 30.0, None), True),
        (OtherLevel(70.0, None, 30.0), True),
        (OtherLevel(70.0, 1e4, None), False),
    ):
        found = sample_analysis(grid=replace(steady_grid(), other_level=level))
        plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=1)
        shown = in_session(found, plan).grid.other_level
        at_s = pytest.approx(plan.line_in_copy_s(30.0))
        parts = level.from_s and at_s, level.to_s and at_s
        assert (shown and (shown.from_s, shown.to_s)) == (parts if moves else None)


def test_the_first_chorus_of_a_blues_moves_with_the_lines():
    found = sample_analysis(key=blues_in_a(BAR_ONE_S + 8 * BEAT_S))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=2)

    assert in_session(found, plan).key.blues.first_chorus_s == pytest.approx((8 + 8) * BEAT_S)


def copy_level(loudness: Loudness) -> AlignedCopy:
    """A copy of that level."""
    levels = {name: getattr(loudness, name) for name in LEVELS}
    return AlignedCopy(
        file="a.wav",
        rate=RATE,
        bit_depth=16,
        frames=1,
        gain_db=0.0,
        dithered=False,
        bit_identical=True,
        **levels,
    )


def sections_everywhere(found: Analysis, plan: CutPlan) -> list[tuple[str, int]]:
    """(letter, bar) of the view, which map and page must share to the tick and to the bar."""
    view, score = in_session(found, plan), make_score(found, plan, 0.8)
    bars = [(s.letter, s.first_bar) for s in view.sections]
    assert [s.start_s for s in view.sections] == pytest.approx(
        [(bar - 1) * BAR_S for _, bar in bars], abs=1e-4
    )
    assert list(score.sections) == [((bar - 1) * 3840, letter) for letter, bar in bars]
    assert [(b.section, b.number) for b in chord_bars(view) if b.section] == bars
    assert [tick for tick, _ in score.note_sets] == sorted(
        {tick for tick, _ in score.sections} | {key.tick for key in score.keys}
    )
    ends = [s.end_s for s in view.sections]
    assert ends == [*(s.start_s for s in view.sections[1:]), pytest.approx(view.duration_s, abs=1e-4)]
    return bars


def bars_from(one_s: float, *parts: tuple[str, int]) -> tuple[Section, ...]:
    """Sections up to the end of the file, each from a bar on; bar 0 is from the file's first sample on."""
    starts = [max(one_s + (bar - 1) * BAR_S, 0.0) if bar > 0 else 0.0 for _, bar in parts]
    ends = [*starts[1:], 66.0]
    return tuple(
        Section(start, end, letter, bar, 0.9)
        for start, end, (letter, bar) in zip(starts, ends, parts, strict=True)
    )


@pytest.mark.parametrize("rate", [44100, 48000])
def test_what_begins_where_the_trimmed_copy_ends_is_not_in_it(rate):
    """Music for bars 1 to 8; a section and a key begin with bar 9, which the copy does not have."""
    parts = bars_from(BAR_ONE_S, ("A", 1), ("B", 5), ("C", 9))
    key = replace(key_of(), changes=(KeyChange(BAR_ONE_S + 8 * BAR_S, "F", "minor", 0.9),))
    found = sample_analysis(sections=parts, key=key, rate=rate)
    last = round((BAR_ONE_S + 7.5 * BAR_S) * rate)
    plan = plan_cut(found, frames=66 * rate, rate=rate, trim_tail_to=last)

    assert sections_everywhere(found, plan) == [("A", 1), ("B", 5)]
    assert chord_bars(in_session(found, plan))[-1].number == 8
    assert in_session(found, plan).key.changes == ()


def test_no_chord_and_no_tempo_lies_beyond_the_end_of_the_copy():
    """Trimmed to 8 bars; the chord held into bar 9, the one that begins there and later tempi are not in it.

    Source: RP-001: all tracks of the map end with the copy, in which nothing lies after its last sample.
    """
    grid = moving_grid((16, 120.0), (8, 123.0), (8, 118.0), (8, 150.0))
    line_9 = grid.beats_s[32]
    chords = (Chord(BAR_ONE_S, line_9 - 1.0, "Ebm", 0.8), Chord(line_9 - 1.0, line_9 + 0.5, "Gb", 0.8))
    found = sample_analysis(grid=grid, chords=chords)
    held = replace(found, chords=(chords[0], replace(chords[1], end_s=line_9), Chord(line_9, 40.0, "N", 0.8)))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, trim_tail_to=round((line_9 - 0.5) * RATE))

    for music in (found, held):
        view, score = in_session(music, plan), make_score(music, plan, 0.8)
        assert [c.label for c in view.chords] == ["Ebm", "Gb"]
        assert view.chords[-1].end_s == pytest.approx(view.duration_s, abs=1e-4)
        assert [bpm for _, bpm in view.grid.tempo_curve] == pytest.approx([120.0, 123.0, 118.0], abs=0.05)
        assert max(tick for tick, _ in score.ruler.tempi) < score.end_tick == 32 * 960


@pytest.mark.parametrize(("before_beats", "bar"), [(0.0, 3), (1.0, 3), (6.0, 3)])
def test_bars_of_silence_ahead_are_of_no_section(before_beats, bar):
    """Two bars as configured: the first section, and its marker, begin with the bar of the first sound."""
    one_s = BAR_ONE_S + 4.0
    found = sample_analysis(grid=steady_grid(bar_one_s=one_s), sections=bars_from(one_s, ("A", 0), ("B", 9)))
    found = replace(found, lead_in=replace(found.lead_in, first_sound_s=one_s - before_beats * BEAT_S))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=2)

    later = 9 + plan.bars_before_bar_one
    view, score = in_session(found, plan), make_score(found, plan, 0.8)
    assert [(s.letter, s.first_bar) for s in view.sections] == [("A", bar), ("B", later)]
    assert [tick for tick, _ in score.sections] == [(bar - 1) * 3840, (later - 1) * 3840]
    assert [(b.section, b.number) for b in chord_bars(view) if b.section] == [("A", bar), ("B", later)]


def test_of_two_sections_on_one_instant_the_later_one_is_left():
    """What was found before bar one was cut off: only hiss lay there."""
    parts = bars_from(BAR_ONE_S, ("A", 0), ("B", 1), ("A", 17))
    found = sample_analysis(sections=parts)
    plan = plan_cut(found, frames=66 * RATE, rate=RATE)

    assert sections_everywhere(found, plan) == [("B", 1), ("A", 17)]


@pytest.mark.parametrize(("beats", "bars"), [(-1, [("A", 1), ("B", 9)]), (1, [("A", 1), ("B", 10)])])
def test_sections_begin_with_bars_where_bar_one_was_moved_by_hand(beats, bars):
    """A bar line a beat earlier takes the sections along; one a beat later leaves a bar for the upbeat."""
    parts = bars_from(BAR_ONE_S, ("A", 1), ("B", 9))
    key = replace(key_of(), changes=(KeyChange(BAR_ONE_S + 8 * BAR_S, "F", "minor", 0.9),))
    measured = sample_analysis(sections=parts, key=key)
    found = apply_correction(measured, Correction(bar_one_s=BAR_ONE_S + beats * BEAT_S))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE)

    assert sections_everywhere(found, plan) == bars
    [change] = in_session(found, plan).key.changes
    assert change.at_s == pytest.approx((bars[1][1] - 1) * BAR_S, abs=1e-4)


OVER = Flag("inter-sample-over", "note", "Between the samples the peaks reach +0.4 dBTP.", "Leave room.", 0.3)


@pytest.mark.parametrize("lead_in_bars", [0, 2])
def test_a_fault_of_what_was_cut_off_is_none_of_the_copy(lead_in_bars):
    """Bar one is at 0.75 s, and the copy ends 8 bars later."""
    clip = Flag("clipping", "warning", "Clipped in 2 places", "Ask for another bounce", 0.2, 0.4)
    later = replace(clip, start_s=40.0, end_s=41.0)
    part = replace(clip, end_s=2.0, places_s=((0.2, 0.4), (1.5, 1.6), (40.0, 41.0)))
    found = sample_analysis(flags=(OVER, clip, later, part))
    last = round((BAR_ONE_S + 7.5 * BAR_S) * RATE)
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, lead_in_bars=lead_in_bars, trim_tail_to=last)
    quiet = replace(found.loudness, sample_peak_dbfs=-9.0, true_peak_dbtp=-8.5)

    [flag] = in_session(found, plan, copy_level(quiet)).flags
    assert [at for place in flag.places_s for at in place] == pytest.approx(
        [at - BAR_ONE_S + lead_in_bars * BAR_S for at in (1.5, 1.6)], abs=1e-4
    )
    assert (flag.start_s, flag.end_s) == (
        pytest.approx(lead_in_bars * BAR_S, abs=1e-4),
        pytest.approx(2.0 - BAR_ONE_S + lead_in_bars * BAR_S, abs=1e-4),
    )


def test_peaks_that_are_still_too_high_stay_a_fault_without_the_place_that_was_cut_off():
    found = sample_analysis(flags=(OVER,))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE)
    copy = replace(found.loudness, integrated_lufs=-8.5, true_peak_dbtp=0.2)

    [flag] = in_session(found, plan, copy_level(copy)).flags
    assert flag.start_s is None
    assert flag.text == "In the producer's file: between the samples the peaks reach +0.4 dBTP."
    assert flag.advice == "The copy is another: -8.5 LUFS, true peak +0.2 dBTP."


def test_the_loudness_curve_is_that_of_windows_inside_the_copy():
    """The sample's curve has a window of 3 s that ends at each whole second."""
    found = sample_analysis()
    plan = plan_cut(found, frames=66 * RATE, rate=RATE, trim_tail_to=20 * RATE)

    times = [at for at, _ in in_session(found, plan).loudness.short_term_curve]
    assert times[0] == pytest.approx(4.0 - BAR_ONE_S, abs=1e-4)
    assert times[-1] == pytest.approx(21.0 - BAR_ONE_S, abs=1e-4)


@pytest.mark.parametrize("end_s", [0.4, BAR_ONE_S + 0.001])
def test_noise_before_the_music_stays_without_the_place_that_was_cut_off(end_s):
    noise = Flag("noise-floor", "note", "Noise of -44 dBFS before the music", "Fade in", 0.0, end_s)
    found = sample_analysis(flags=(noise,))
    plan = plan_cut(found, frames=66 * RATE, rate=RATE)

    assert in_session(found, plan).flags == (replace(noise, start_s=None, end_s=None),)
