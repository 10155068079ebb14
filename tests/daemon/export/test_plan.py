"""The cut: on a bar line, before the first sound, never later, never needlessly early."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzers.model import Analysis, Grid, GridProof, Key, LeadIn, Loudness, Tuning
from daemon.export.plan import plan_cut
from daemon.export.ruler import make_ruler
from tests.daemon.sample_report import sample_analysis

NO_KEY = Key(None, None, 0.0, (), (), None, None, (), ())
NO_TUNING = Tuning(None, None, 0.0)
NO_LOUDNESS = Loudness(None, None, None, None, None, None, None, ())


def analysis(
    bpm: float | None, bar_one: float | None, first: float | None, beats_per_bar: int = 4
) -> Analysis:
    beats = tuple(bar_one + k * 60 / bpm for k in range(64)) if bpm and bar_one is not None else ()
    grid = Grid(
        tempo_bpm=bpm,
        tempo_confidence=1.0,
        tempo_alternatives=(),
        constant_tempo=True,
        constant_confidence=1.0,
        meter="4/4",
        meter_confidence=1.0,
        beats_per_bar=beats_per_bar,
        bar_one_s=bar_one,
        bar_one_confidence=1.0,
        pickup_beats=0.0,
        beats_s=beats,
        downbeats=tuple(k % beats_per_bar == 0 for k in range(len(beats))),
        tempo_curve=(),
        proof=None,
    )
    lead_in = LeadIn(first, None, "none", None, None, 1.0)
    return sample_analysis(
        duration_s=60.0,
        lead_in=lead_in,
        grid=grid,
        tuning=NO_TUNING,
        key=NO_KEY,
        chords=(),
        sections=(),
        loudness=NO_LOUDNESS,
        flags=(),
    )


def test_bar_one_at_the_first_sound_needs_no_earlier_bar():
    plan = plan_cut(analysis(120.0, 1.5, 1.5003), frames=44100 * 60, rate=44100)

    assert (plan.source_start, plan.pad_samples, plan.bars_before_bar_one) == (66150, 0, 0)
    assert plan.bar_one_in_copy_s == pytest.approx(0.0, abs=1e-9)


def test_a_pickup_starts_the_copy_one_bar_earlier():
    """A bar of 4/4 at 120 BPM lasts 2 s (60/BPM times 4)."""
    plan = plan_cut(analysis(120.0, 3.5, 2.9), frames=44100 * 60, rate=44100)

    assert plan.bars_before_bar_one == 1
    assert plan.source_start == 66150
    assert plan.bar_one_in_copy_s == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize("early_s", [0.0005, 0.0031, 0.012, 0.029])
def test_a_first_hit_that_is_a_little_early_is_bar_ones_own(early_s):
    """A 32nd note at 120 BPM lasts 62.5 ms (60/BPM/8), more than the 30 ms of the setting."""
    plan = plan_cut(analysis(120.0, 3.5, 3.5 - early_s), frames=44100 * 60, rate=44100)

    assert (plan.bars_before_bar_one, plan.pad_samples) == (0, 0)
    assert plan.source_start == round((3.5 - early_s) * 44100)
    assert plan.session_shift_s == pytest.approx(-early_s)
    assert plan.bar_one_in_copy_s == pytest.approx(0.0, abs=0.5 / 44100)
    assert plan.line_in_copy_s(3.5 + 2.0) == pytest.approx(2.0, abs=0.5 / 44100)
    assert plan.in_copy_s(3.5) == pytest.approx(early_s, abs=0.5 / 44100)


@pytest.mark.parametrize(
    ("bpm", "early_s", "bars"),
    [
        (120.0, 0.031, 1),
        (240.0, 0.0305, 1),
        (300.0, 0.0249, 0),  # a 32nd note lasts 25 ms
        (300.0, 0.0251, 1),
    ],
)
def test_what_comes_a_32nd_note_or_30_ms_before_bar_one_is_a_pickup(bpm, early_s, bars):
    plan = plan_cut(analysis(bpm, 3.5, 3.5 - early_s), frames=44100 * 60, rate=44100)

    assert plan.bars_before_bar_one == bars
    assert (plan.session_shift_s == 0.0) == (bars == 1)


def test_the_setting_can_take_any_sound_for_a_pickup():
    found = analysis(120.0, 3.5, 3.49)

    assert plan_cut(found, frames=10**7, rate=44100, early_hit_s=0.0).bars_before_bar_one == 1


@pytest.mark.parametrize("start", ["bar_one", "first_sound"])
@pytest.mark.parametrize("early_s", [0.00008, 0.0009, 0.0049])
def test_what_begins_less_than_5_ms_before_bar_one_is_never_music_of_its_own(
    early_s: float, start: str
) -> None:
    """A bar so short would need a tempo that few sequencers take: most end at 999 BPM (common practice)."""
    found = analysis(120.0, 3.5, 3.5 - early_s)
    plan = plan_cut(found, frames=10**7, rate=44100, early_hit_s=0.0, start=start)  # type: ignore[arg-type]
    assert (plan.bars_before_bar_one, plan.before_bar_one) == (0, "")
    assert plan.bar_one_in_copy_s == pytest.approx(0.0, abs=1 / 44100)
    assert plan.zero_s == pytest.approx(3.5 - early_s, abs=1 / 44100)


@pytest.mark.parametrize(("bars", "shortened"), [(1.0, False), (2.0, False), (1.25, True)])
def test_a_bar_is_said_to_be_shortened_only_where_it_is(bars: float, shortened: bool) -> None:
    """Of a copy that starts at the first sound: a count-in fills whole bars, and the map has one meter."""
    found = analysis(120.0, 9.0, 9.0 - bars * 2.0)
    plan = plan_cut(found, frames=10**7, rate=44100, start="first_sound", lead_in_bars=1)
    assert ("; bar 1 is shortened" in plan.why) == shortened
    assert (len(make_ruler(found.grid, plan).meters) == 2) == shortened


@pytest.mark.parametrize("late_s", [-0.012, -0.0015, 0.006, 0.012])
def test_no_hit_moves_lines_that_were_set_by_hand(late_s: float) -> None:
    """A correction always wins: README, "Correct from any machine"."""
    found = analysis(120.0, 3.5, 3.5 + late_s)
    plan = plan_cut(found, frames=10**7, rate=44100, exact_lines=True)
    assert plan.session_shift_s == 0.0
    assert plan.bars_before_bar_one == (1 if late_s < 0 else 0)
    assert plan.line_in_copy_s(3.5) == pytest.approx(plan.bars_before_bar_one * 2.0, abs=1 / 44100)


@pytest.mark.parametrize(
    ("early_s", "rise_s", "setting_s", "bars"),
    [
        (0.045, 0.06, 0.03, 0),
        (0.080, 0.12, 0.03, 0),
        (0.045, 0.04, 0.03, 1),  # something else begins before bar one
        (0.045, 0.0, 0.03, 1),
        (0.095, 0.12, 0.03, 1),  # three times as early at most
        (0.045, 0.12, 0.01, 1),
        (0.045, 0.12, 0.0, 1),
    ],
)
def test_a_first_hit_that_rises_gradually_up_to_bar_one_is_bar_ones_own(
    early_s: float, rise_s: float, setting_s: float, bars: int
) -> None:
    found = analysis(60.0, 2.0, 2.0 - early_s)
    plan = plan_cut(found, frames=10**7, rate=44100, early_hit_s=setting_s, soft_rise_s=rise_s)
    assert plan.bars_before_bar_one == bars
    assert plan.soft_start == (bars == 0)
    if bars == 0:
        assert plan.zero_s == pytest.approx(2.0 - early_s, abs=1 / 44100)
        assert f"its first hit begins softly: the bar lines are {early_s * 1000:.0f} ms earlier" in plan.why


def test_a_32nd_note_is_no_soft_beginning() -> None:
    """At 150 BPM it lasts 50 ms."""
    found = analysis(150.0, 2.0, 1.945)
    assert plan_cut(found, frames=10**7, rate=44100, soft_rise_s=0.12).bars_before_bar_one == 1
    played = analysis(150.0, 2.0, 1.98)
    plan = plan_cut(played, frames=10**7, rate=44100, soft_rise_s=0.12)
    assert not plan.soft_start
    assert "comes early" in plan.why


@pytest.mark.parametrize(
    ("late_s", "left_s"),
    [(0.0009, 0.0009), (0.003, 0.003), (0.006, 0.001), (0.011, 0.001), (0.0155, 0.0035), (0.2, 0.2)],
)
def test_a_first_hit_that_is_late_leaves_at_most_four_milliseconds(late_s, left_s):
    plan = plan_cut(analysis(120.0, 3.5, 3.5 + late_s), frames=10**7, rate=44100)

    assert plan.in_copy_s(3.5 + late_s) == pytest.approx(left_s, abs=1 / 44100)
    assert plan.bar_one_in_copy_s == pytest.approx(0.0, abs=0.5 / 44100)


def test_a_first_hit_too_late_to_follow_leaves_the_lines_to_the_song_and_is_told():
    plan = plan_cut(analysis(120.0, 3.5, 3.518), frames=10**7, rate=44100)

    assert plan.session_shift_s == 0.0
    assert plan.in_copy_s(3.518) == pytest.approx(0.018, abs=1 / 44100)
    assert plan.why.endswith("; its first hit comes 18 ms after the bar line, which is the song's")


@pytest.mark.parametrize(("lacks_s", "told"), [(0.0034, False), (0.018, True)])
def test_silence_of_a_few_ms_in_place_of_the_source_is_not_worth_a_word(lacks_s, told):
    plan = plan_cut(analysis(120.0, -lacks_s, 0.0), frames=10**7, rate=44100)

    assert plan.pad_samples == round(lacks_s * 44100)
    assert ("silence fills" in plan.why) == told


def test_under_hiss_which_hides_its_beginning_a_first_hit_is_not_taken_for_late():
    found = analysis(120.0, 3.5, 3.509)
    found = replace(found, lead_in=replace(found.lead_in, kind="hiss or hum"))

    plan = plan_cut(found, frames=10**7, rate=44100)
    assert plan.session_shift_s == 0.0
    assert plan.through_noise
    assert not plan_cut(analysis(120.0, 3.5, 3.5), frames=10**7, rate=44100).through_noise
    led_in = plan_cut(found, frames=10**7, rate=44100, lead_in_bars=1)
    assert led_in.pad_samples == 2 * 44100  # the bar is digital silence: the noise is cut off there, too
    assert led_in.through_noise
    pickup = replace(analysis(120.0, 3.5, 2.9), lead_in=replace(found.lead_in, first_sound_s=2.9))
    assert not plan_cut(pickup, frames=10**7, rate=44100).through_noise  # its bar has the noise
    assert plan_cut(pickup, frames=10**7, rate=44100, start="first_sound").through_noise


def test_a_count_in_that_the_copy_begins_with_stands_in_the_noise_as_a_first_hit_does() -> None:
    found = analysis(120.0, 3.5, 1.5)
    found = replace(found, lead_in=replace(found.lead_in, kind="hiss or hum"))
    found = replace(found, grid=replace(found.grid, count_in_before=True))

    plan = plan_cut(found, frames=10**7, rate=44100)
    assert (plan.bars_before_bar_one, plan.through_noise, plan.noise_alone) == (1, True, False)


def test_out_of_noise_that_hides_nothing_of_it_a_late_first_hit_leaves_no_gap() -> None:
    """3 ms of noise stay ahead of it."""
    found = analysis(120.0, 3.5, 3.509)
    found = replace(found, lead_in=replace(found.lead_in, kind="hiss or hum"))

    plan = plan_cut(found, frames=10**7, rate=44100, clear_of_noise=True)
    assert plan.in_copy_s(3.509) == pytest.approx(0.003, abs=1 / 44100)
    assert plan.bar_one_in_copy_s == pytest.approx(0.0, abs=0.5 / 44100)


@pytest.mark.parametrize(
    ("late_s", "rise_s", "told_s"),
    [(0.018, 0.0, 0.018), (0.04, 0.0, 0.04), (0.018, 0.12, 0.0), (0.04, 0.12, 0.0), (0.25, 0.0, 0.0)],
)
def test_the_plan_says_how_late_a_first_hit_is_left(late_s: float, rise_s: float, told_s: float) -> None:
    """At 120 BPM half a beat is a rest; and what grows from the line on is not late."""
    plan = plan_cut(
        analysis(120.0, 3.5, 3.5 + late_s), frames=10**7, rate=44100, soft_rise_s=rise_s, begins_faintly=True
    )
    assert plan.first_hit_late_s == pytest.approx(told_s)
    assert plan.session_shift_s == 0.0
    hidden = analysis(120.0, 3.5, 3.5 + late_s)
    hidden = replace(hidden, lead_in=replace(hidden.lead_in, kind="hiss or hum"))
    assert plan_cut(hidden, frames=10**7, rate=44100).first_hit_late_s == 0.0


def test_a_first_sound_that_grows_may_have_begun_on_the_line() -> None:
    plan = plan_cut(
        analysis(120.0, 3.5, 3.54), frames=10**7, rate=44100, soft_rise_s=0.12, begins_faintly=True
    )
    assert plan.why == "the song starts at bar 1"


@pytest.mark.parametrize("late_s", [0.008, 0.1, 0.25])
def test_a_song_that_fades_in_is_said_to_and_is_neither_late_nor_begins_with_a_rest(late_s: float) -> None:
    """Where it passes what is heard says nothing of its beats: the bar lines stay (common practice)."""
    plan = plan_cut(analysis(120.0, 3.5, 3.5 + late_s), frames=10**7, rate=44100, fades_in=True)

    assert plan.why == "the song starts at bar 1; it fades in"
    assert plan.before_bar_one == "it fades in"
    assert (plan.session_shift_s, plan.first_hit_late_s) == (0.0, 0.0)


def test_what_fades_in_before_bar_one_is_no_pickup() -> None:
    plan = plan_cut(analysis(120.0, 3.5, 2.0), frames=10**7, rate=44100, fades_in=True)

    assert plan.why == "the song starts at bar 2; sound from 1.50 s before it in bar 1"


def test_of_a_first_hit_that_noise_hides_nobody_says_that_it_is_late() -> None:
    found = analysis(120.0, 3.5, 3.518)
    found = replace(found, lead_in=replace(found.lead_in, kind="hiss or hum"))

    assert plan_cut(found, frames=10**7, rate=44100).why == "the song starts at bar 1"


@pytest.mark.parametrize(
    ("kind", "first_s", "alone"),
    [("hiss or hum", 3.0, True), ("hiss or hum", 3.505, False), ("digital silence", 3.0, False)],
)
def test_the_plan_says_where_noise_alone_is_cut_through(kind: str, first_s: float, alone: bool) -> None:
    """A pickup's bar begins in the noise; where the first sound is near, the cut may go through that."""
    found = analysis(120.0, 3.5, first_s)
    found = replace(found, lead_in=replace(found.lead_in, kind=kind))

    assert plan_cut(found, frames=10**7, rate=44100).noise_alone == alone


def test_where_the_tempo_moves_the_line_follows_a_late_first_hit():
    found = analysis(120.0, 3.5, 3.521)
    found = replace(found, grid=replace(found.grid, constant_tempo=False))

    plan = plan_cut(found, frames=10**7, rate=44100)

    assert plan.in_copy_s(3.521) == pytest.approx(0.001, abs=1 / 44100)


def test_the_plan_says_where_the_songs_hits_lie():
    found = analysis(120.0, 3.5, 3.494)
    proof = GridProof(attacks=100, median_ms=0.4, p95_ms=2.0, first_third_ms=-1.2, last_third_ms=-0.8)
    found = replace(found, grid=replace(found.grid, proof=proof))

    plan = plan_cut(found, frames=10**7, rate=44100)

    assert plan.hits_after_lines_s == pytest.approx(0.005)  # 1 ms ahead of lines that moved 6 ms ahead
    assert plan.why == (
        "the song starts at bar 1; its first hit comes early: the bar lines are 6 ms earlier "
        "to keep it whole, and the song's hits lie 5 ms after them"
    )


@pytest.mark.parametrize(
    ("before_s", "bars", "words"),
    [
        (0.5, 0, "the song starts at bar 2; pickup of 1 beat in bar 1"),
        (0.75, 0, "the song starts at bar 2; pickup of 1 1/2 beats in bar 1"),
        (1 / 3, 0, "the song starts at bar 2; pickup of 2/3 of a beat in bar 1"),
        (0.44, 0, "the song starts at bar 2; sound from 0.44 s before it in bar 1"),
        (0.056, 0, "the song starts at bar 2; sound from 56 ms before it in bar 1"),
        (3.1, 0, "the song starts at bar 3; sound from 3.10 s before it in bars 1 to 2"),
        (
            0.5,
            2,
            "the song starts at bar 4; pickup of 1 beat in bar 3, after 2 bars of silence as configured",
        ),
        (0.0, 1, "the song starts at bar 2; bar 1 is silence, as configured"),
        (0.0, 0, "the song starts at bar 1"),
    ],
)
def test_the_sentence_is_an_engineers(before_s, bars, words):
    """Half a second is a beat at 120 BPM."""
    plan = plan_cut(analysis(120.0, 9.0, 9.0 - before_s), frames=10**7, rate=44100, lead_in_bars=bars)

    assert plan.why == words


@pytest.mark.parametrize(
    ("after_s", "bars", "words"),
    [
        (0.25, 0, "the song starts at bar 1; bar 1 begins with a rest of 1/2 of a beat"),
        (0.75, 0, "the song starts at bar 1; bar 1 begins with a rest of 1 1/2 beats"),
        (
            0.04,
            0,
            "the song starts at bar 1; its first hit comes 40 ms after the bar line, which is the song's",
        ),
        (
            0.09,
            0,
            "the song starts at bar 1; its first hit comes 90 ms after the bar line, which is the song's",
        ),
        (0.1, 0, "the song starts at bar 1; bar 1 begins with a rest of 1/4 of a beat"),
        (
            0.5,
            1,
            "the song starts at bar 2; bar 1 is silence, as configured; bar 2 begins with a rest of 1 beat",
        ),
    ],
)
def test_a_rest_on_the_one_is_the_musics_own(after_s, bars, words):
    """The copy begins with the bar line, half a second a beat at 120 BPM before the first sound."""
    plan = plan_cut(analysis(120.0, 9.0, 9.0 + after_s), frames=10**7, rate=44100, lead_in_bars=bars)

    assert plan.why == words
    before = words.removeprefix(f"the song starts at bar {bars + 1}").removeprefix("; ")
    assert plan.before_bar_one == ("" if "first hit" in words else before)
    assert plan.in_copy_s(9.0 + after_s) == pytest.approx(2.0 * bars + after_s, abs=1 / 44100)
    assert plan.bars_before_bar_one == bars


@pytest.mark.parametrize(
    ("known_as", "early_s", "words"),
    [
        # as long as 2 3/4 beats, which nobody counts, and as two (a swell is called so: common practice); as
        # one beat and a half; three bars of two seconds, a quarter of a beat after the first one's line on
        ("swell_before", 1.375, "bar 2; a swell from 1.38 s before it in bar 1"),
        ("swell_before", 1.0, "bar 2; a swell from 1.00 s before it in bar 1"),
        ("voice_before", 0.75, "bar 2; a voice from 0.75 s before it in bar 1"),
        ("other_start_before", 5.875, "bar 4; another start 5.88 s before it in bars 1 to 3"),
    ],
)
def test_a_swell_a_voice_or_a_false_start_before_bar_one_is_no_pickup(
    known_as: str, early_s: float, words: str
):
    found = analysis(120.0, 9.0, 9.0 - early_s)
    found = replace(found, grid=replace(found.grid, **{known_as: True}))

    plan = plan_cut(found, frames=10**7, rate=44100)

    assert plan.why == f"the song starts at {words}"


def test_a_count_in_before_bar_one_is_said():
    """Two bars of two seconds."""
    found = analysis(120.0, 9.0, 5.0)
    found = replace(found, grid=replace(found.grid, count_in_before=True))

    plan = plan_cut(found, frames=10**7, rate=44100, lead_in_bars=1)

    assert plan.before_bar_one == "a count-in in bars 2 to 3, after 1 bar of silence as configured"
    assert plan.bars_before_bar_one == 3


@pytest.mark.parametrize("early_s", [0.012, 0.0, -0.006])
def test_the_first_stroke_of_a_count_in_beside_its_line_takes_the_lines_along(early_s: float):
    """One bar of two seconds: no bar of silence for the 12 ms."""
    found = analysis(120.0, 9.0, 7.0 - early_s)
    found = replace(found, grid=replace(found.grid, count_in_before=True))

    plan = plan_cut(found, frames=10**7, rate=44100)

    assert plan.before_bar_one == "a count-in in bar 1"
    assert plan.bars_before_bar_one == 1
    assert -0.5 / 44100 <= plan.in_copy_s(7.0 - early_s) < 0.002


def test_the_copy_can_start_at_the_first_sound():
    found = analysis(120.0, 9.0, 8.5)

    plan = plan_cut(found, frames=10**7, rate=44100, start="first_sound")
    led_in = plan_cut(found, frames=10**7, rate=44100, start="first_sound", lead_in_bars=1)

    assert (plan.source_start, plan.pad_samples) == (round(8.5 * 44100), 0)
    assert plan.bar_one_in_copy_s == pytest.approx(0.5)
    assert plan.why == "the song starts at bar 2; pickup of 1 beat in bar 1; bar 1 is shortened"
    assert plan.before_bar_one == "pickup of 1 beat in bar 1; bar 1 is shortened"
    assert (plan.bars_before_bar_one, led_in.bars_before_bar_one) == (1, 2)
    assert (led_in.source_start, led_in.pad_samples) == (plan.source_start, 2 * 44100)
    assert led_in.bar_one_in_copy_s == pytest.approx(2.5)


def test_silence_fills_the_bar_that_the_source_does_not_have():
    plan = plan_cut(analysis(120.0, 0.5, 0.0), frames=44100 * 60, rate=44100)

    assert plan.source_start == 0
    assert plan.pad_samples == 66150
    assert plan.zero_s == pytest.approx(-1.5)


def test_the_hit_counts_and_not_what_a_codec_spread_before_it():
    found = analysis(120.0, 1.5, 1.5 - 0.013)

    plan = plan_cut(found, frames=10**7, rate=44100, first_hit_s=1.499)

    assert (plan.bars_before_bar_one, plan.source_start) == (0, round(1.499 * 44100))


def test_without_a_grid_the_copy_keeps_the_first_sound():
    plan = plan_cut(analysis(None, None, 2.0), frames=10**6, rate=48000)

    assert plan.source_start == math.floor((2.0 - 0.003) * 48000)
    assert plan.bar_one_in_copy_s is None
    assert "no grid" in plan.why


def test_the_tail_ends_on_the_next_bar_line():
    plan = plan_cut(analysis(120.0, 1.0, 1.0), frames=10**7, rate=44100, trim_tail_to=44100 * 8)

    assert plan.source_end == 44100 * 9


@given(
    bpm=st.floats(40, 240),
    beats_per_bar=st.sampled_from([3, 4, 6]),
    bar_one=st.floats(0, 20),
    before=st.floats(0, 20),
    rate=st.sampled_from([44100, 48000, 96000]),
    bars=st.integers(0, 4),
)
def test_cut_arithmetic(bpm, beats_per_bar, bar_one, before, rate, bars):
    """Copy zero is a bar line; no sound is lost; no whole bar is wasted; lengths add up."""
    first = max(0.0, bar_one - before)
    frames = rate * 60
    found = analysis(bpm, bar_one, first, beats_per_bar)

    plan = plan_cut(found, frames=frames, rate=rate, lead_in_bars=bars)

    bar_s = 60 / bpm * beats_per_bar
    assert plan.bar_one_in_copy_s / bar_s == pytest.approx(
        plan.bars_before_bar_one, abs=1.0 / rate / bar_s * 2
    )
    assert plan.source_start <= math.ceil(first * rate) + 1
    music_zero_s = plan.zero_s + bars * bar_s
    assert first - music_zero_s < bar_s + 2 / rate
    assert plan.source_start - plan.pad_samples == round(plan.zero_s * rate)
    assert plan.pad_samples >= 0
    assert 0 <= plan.source_start <= plan.source_end <= frames


def test_played_tempo_uses_the_length_of_its_first_bar():
    found = analysis(120.0, 4.0, 3.0)
    beats = (4.0, 4.6, 5.2, 5.8, 6.4, 7.0)
    grid = replace(
        found.grid, constant_tempo=False, beats_s=beats, downbeats=(True, False, False, False, True, False)
    )

    plan = plan_cut(replace(found, grid=grid), frames=10**7, rate=44100)

    assert plan.zero_s == pytest.approx(4.0 - 2.4, abs=1e-4)


@pytest.mark.parametrize(("early_samples", "moved"), [(0.4, 0.0), (0.6, -0.6)])
def test_half_a_sample_before_bar_one_moves_no_line(early_samples: float, moved: float):
    """Rounding of a time to a sample moves it by half a sample at most."""
    plan = plan_cut(analysis(120.0, 2.5, 2.5 - early_samples / 44100), frames=44100 * 60, rate=44100)

    assert plan.bars_before_bar_one == 0
    assert plan.session_shift_s * 44100 == pytest.approx(moved, abs=1e-6)


def test_without_a_grid_the_copy_never_starts_before_the_file():
    assert plan_cut(analysis(None, None, 0.002), frames=44100, rate=44100).source_start == 0


def test_music_that_ends_on_a_bar_line_needs_no_further_bar():
    plan = plan_cut(analysis(120.0, 0.0, 0.0), frames=44100 * 60, rate=44100, trim_tail_to=8 * 44100)

    assert plan.source_end == 8 * 44100  # bar 5; 2 s a bar


@pytest.mark.parametrize(("early_s", "told"), [(0.0045, False), (0.0055, True)])
def test_a_shift_that_nobody_hears_is_not_worth_a_word(early_s: float, told: bool) -> None:
    plan = plan_cut(analysis(120.0, 3.5, 3.5 - early_s), frames=10**7, rate=44100)
    assert plan.session_shift_s < 0
    assert ("comes early" in plan.why) == told
    assert "lie 0 ms" not in plan.why
