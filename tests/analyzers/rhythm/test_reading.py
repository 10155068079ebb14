"""What becomes of a reading that another question doubts, turns or counts otherwise: worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analyzers.rhythm.reading import Reading

SONG = Reading(
    2.0, 5.0, 4, 0.99, 0.99, 0.9, 0.8, ((2.0, 1.0),), ((2.0, 0.1), (0.5, 0.06)), ((2, 0.05), (3, 0.05))
)


def test_places_are_half_a_bar_before_the_line_or_after_it_at_most() -> None:
    assert [SONG.place(late) for late in (0.0, 1.5, 2.0, 2.5, -1.0, 7.0, -2.0)] == [
        0,
        1.5,
        2,
        -1.5,
        -1,
        -1,
        2,
    ]


def test_a_doubted_reading_keeps_its_lines_and_names_the_others() -> None:
    found = SONG.doubted(0.6, 3.5)
    assert found.bar_probability == 0.6
    assert dict(found.other_lines) == pytest.approx({2.0: 0.1, 0.5: 0.06, -0.5: 0.24})


@pytest.mark.parametrize(("share", "sure"), [(0.7, 0.7), (0.95, 0.86)])
def test_a_turned_reading_is_as_sure_as_both_phases_together_at_most(share: float, sure: float) -> None:
    """4.5 beats of two pulses later in bars of eight pulses: 5 + 9 is pulse 6 of the bar before."""
    found = SONG.turned(4.5, share)
    assert found.offset == 6.0
    assert found.bar_probability == pytest.approx(sure)
    lines = dict(found.other_lines)
    assert sum(lines.values()) == pytest.approx(1 - sure)
    assert lines[-0.5] / lines[2.0] == pytest.approx((1 - sure) / 0.1)


def test_bars_of_four_that_are_two_of_6_8() -> None:
    """The line two beats later is one then; the share of the other meters is what is left."""
    found = replace(SONG, offset=13.0, other_lines=((2.0, 0.1), (1.5, 0.03))).in_two(0.8)
    assert (found.beats, found.offset, found.meter_probability) == (2, 1.0, 0.8)
    assert dict(found.other_meters) == pytest.approx({4: 0.9 * 0.2 / 0.95, 3: 0.05 * 0.2 / 0.95})
    assert found.other_lines == ((-0.5, 0.03),)


def test_bars_that_may_be_two_of_6_8_are_a_doubt_and_others_stay() -> None:
    found = SONG.in_two(0.3)
    assert (found.beats, found.offset) == (4, 5.0)
    assert found.meter_probability == pytest.approx(0.9 * 0.7 / 0.95)
    assert found.other_meters[0] == (2, 0.3)
    assert SONG.in_two(0.05) is SONG
    assert replace(SONG, beats=3).in_two(0.8).beats == 3
