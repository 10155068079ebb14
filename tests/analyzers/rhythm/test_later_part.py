"""What follows an introduction is asked by itself whether its bar lines are half a beat off the song's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzers.rhythm import grid as grid_module
from analyzers.rhythm import later_part
from analyzers.rhythm.in_beats import SLOTS
from analyzers.rhythm.later_part import UNSURE, heard_later
from analyzers.rhythm.meter_evidence import SIZE, Hypotheses
from analyzers.rhythm.reading import Reading
from analyzers.signal.onsets import BAND_EDGES_HZ
from tests.analyzers.grid_kit import HAT, KICK, SNARE, generated, grid_of, onsets_of, place, tone

START_S, BPM = 0.3, 124.0
BEAT_S = 60 / BPM
PULSES_S = START_S % BEAT_S + BEAT_S * np.arange(118)
AHEAD = round((START_S - PULSES_S[0]) / BEAT_S)  # pulses before bar one
RIGHT = Reading(1.0, float(AHEAD), 4, 0.99, 0.99, 0.99, 0.95, ((1.0, 0.99),), ((2.0, 0.02), (0.5, 0.01)))


def house(drums_at: int) -> np.ndarray:
    """28 bars: stabs and bass on every "and"; from a bar on kicks on the beats, claps on 2 and 4, hats."""
    out = []
    for bar in range(28):
        line, root = START_S + 4 * bar * BEAT_S, 110.0 * (1.0, 0.84, 1.33, 1.5)[bar % 4]
        for k in range(4):
            at = line + (k + 0.5) * BEAT_S
            out += [(at, tone(root * r, 0.25 * BEAT_S), g) for r, g in ((0.5, 1.0), (2, 0.5), (3, 0.5))]
            if bar >= drums_at:
                out += [(line + k * BEAT_S, KICK, 0.75), (at, HAT, 0.6)]
                out += [(line + k * BEAT_S, SNARE, 0.6)] * (k % 2)
    return place(START_S + 112 * BEAT_S + 0.5, out)


@pytest.mark.parametrize("late", [0.5, -0.5])
def test_bar_lines_that_the_later_part_has_half_a_beat_off_are_turned(late: float) -> None:
    """Which of the four lines there it is, the whole song tells, too: it has half a beat after its own."""
    wrong = replace(RIGHT, offset=AHEAD + late, other_lines=((-late, 0.05), (2.0, 0.02)))
    found = heard_later(onsets_of(house(drums_at=4)), PULSES_S, wrong)

    assert abs((found.offset - AHEAD + 2) % 4 - 2) < 0.02
    assert 0.5 < found.bar_probability < RIGHT.bar_probability
    lines = dict(found.other_lines)
    assert lines[late] == pytest.approx(1 - found.bar_probability - lines[2.0])
    assert 0.0 < lines[2.0] <= 0.02


@pytest.mark.parametrize("drums_at", [0, 4, 8])
def test_bar_lines_that_the_later_part_shares_stay_as_sure(drums_at: int) -> None:
    assert heard_later(onsets_of(house(drums_at)), PULSES_S, RIGHT) is RIGHT


def test_where_no_bar_line_half_a_beat_off_is_likely_nobody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(later_part, "weigh", None)
    sure = replace(RIGHT, other_lines=((2.0, 0.04), (-1.0, 0.01)))
    assert heard_later(onsets_of(house(0)[:44100]), PULSES_S, sure) is sure


def test_the_grid_is_doubted_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    song = house(drums_at=0)
    assert grid_of(song).bar_one_confidence > 0.8
    monkeypatch.setattr(grid_module, "heard_later", lambda onsets, pulses, reading: reading.doubted(0.6, 0.5))
    assert grid_of(song).bar_one_confidence <= 0.6


def told(monkeypatch: pytest.MonkeyPatch, share: float, all_told: float, drums: float) -> Reading:
    """What becomes of the reading where the bar lines half a beat off are so likely: on the whole, by the
    networks, by their drums alone."""
    first = int(later_part.BEGINNING * len(PULSES_S))
    offset = AHEAD - first + np.array([40.0, 40.5])
    h = Hypotheses(
        np.ones(2), offset, np.full(2, 4), np.zeros(2, int), np.zeros(2, int), np.ones((2, SIZE), np.float32)
    )
    monkeypatch.setattr(later_part, "weigh", lambda *_: h)
    shares = iter([all_told, drums])
    monkeypatch.setattr(later_part, "probabilities", lambda _: np.array([1 - (p := next(shares)), p]))
    monkeypatch.setattr(later_part, "_share", lambda *_: share)
    return heard_later(onsets_of(house(0)[:44100]), PULSES_S, RIGHT)


@pytest.mark.parametrize(
    ("all_told", "drums", "doubted"),
    [(0.60, 0.50, True), (0.54, 0.50, False), (0.60, 0.30, True), (0.60, 0.25, False)],
)
def test_even_odds_and_drums_that_speak_against_it_are_no_doubt(
    monkeypatch: pytest.MonkeyPatch, all_told: float, drums: float, doubted: bool
) -> None:
    """A share of 0.54 is less than 1.25 to 1, drums of 0.25 are 3 to 1 against it."""
    found = told(monkeypatch, 0.1, all_told, drums)
    assert (found is not RIGHT) is doubted
    assert found.bar_probability == pytest.approx(UNSURE if doubted else 0.95)


@pytest.mark.parametrize(("share", "sure", "late"), [(0.29, 0.95, 0.0), (0.4, 0.6, 0.0), (0.6, 0.6, 0.5)])
def test_the_likelier_bar_lines_are_taken_and_the_others_are_a_doubt(
    monkeypatch: pytest.MonkeyPatch, share: float, sure: float, late: float
) -> None:
    found = told(monkeypatch, share, 0.5, 0.5)
    assert found.bar_probability == pytest.approx(sure)
    assert found.offset == pytest.approx(AHEAD + late)
    if share > 0.3:
        assert dict(found.other_lines)[0.5 if late == 0.0 else -0.5] > 0.3


@pytest.mark.parametrize(("shares", "offset"), [((0.5, 0.4), 3.5), ((0.89, 0.01), 0.5)])
def test_the_song_begins_on_the_and_of_its_first_beat_unless_much_speaks_against_it(
    monkeypatch: pytest.MonkeyPatch, shares: tuple[float, float], offset: float
) -> None:
    """Lines half a beat later and earlier, with so much for each of them in the later part."""
    first = int(later_part.BEGINNING * len(PULSES_S))
    offsets = AHEAD - first + np.array([40.0, 40.5, 39.5])
    evidence = np.ones((3, SIZE), np.float32)
    h = Hypotheses(np.ones(3), offsets, np.full(3, 4), *np.zeros((2, 3), int), evidence)
    monkeypatch.setattr(later_part, "weigh", lambda *_: h)
    monkeypatch.setattr(later_part, "probabilities", lambda _: np.array([0.1, *shares]))
    monkeypatch.setattr(later_part, "_share", lambda *_: 0.9)
    unknown = replace(RIGHT, other_lines=((1.5, 0.05),))
    found = heard_later(onsets_of(house(0)[:44100]), PULSES_S, unknown)
    assert found.offset == pytest.approx(offset)


def bar(on: dict[int, float], off: dict[int, float], alternate: float = 0.0) -> np.ndarray:
    """Attacks of a bar: bands on the beat and on the "and"; there the backbeat's band, every other time."""
    hits = np.zeros((6, 4, SLOTS))
    for slot, bands in ((0, on), (SLOTS // 2, off)):
        for band, strength in bands.items():
            hits[band, :, slot] = strength
    hits[BACKBEAT, 1::2, SLOTS // 2] += alternate
    return hits


CHORDS, BACKBEAT, HATS = (BAND_EDGES_HZ.index(hz) for hz in (300.0, 3000.0, 7000.0))


def share(
    on: dict[int, float],
    off: dict[int, float],
    alternate: float = 0.0,
    networks: float = 0.0,
    song: float = -2.0,
) -> float:
    return later_part._share(later_part.told(networks, 0.0, song, bar(on, off, alternate)))


def test_what_is_struck_on_the_beat_and_off_it_tells_beside_the_networks() -> None:
    """Common practice: chords on the "and", a backbeat with every other beat, open hats off the beat."""
    even = share({}, {})
    assert share({CHORDS: 0.5}, {}) > even > share({}, {CHORDS: 0.5})
    assert share({}, {BACKBEAT: 0.5}) > even > share({BACKBEAT: 0.5}, {})
    assert share({}, {}, alternate=0.5) > even
    assert share({HATS: 0.5}, {}) > even > share({}, {HATS: 0.5})
    assert share({}, {}, networks=4.0) > even
    assert share({}, {}, song=-1.0) > even > share({}, {}, song=-4.0)


def test_quarters_of_hats_alone_turn_no_bar_lines_that_the_song_is_sure_of() -> None:
    """Closed hats on the beats (common practice) look like open ones off them; all else is alike at both."""
    alike = dict.fromkeys(range(5), 0.8)
    assert share({**alike, HATS: 1.0}, alike, networks=-2.0, song=-4.0) < 0.3


def test_which_of_the_ands_a_backbeat_comes_with_is_open() -> None:
    other = bar({}, {}, alternate=0.5)
    assert later_part.told(0.0, 0.0, 0.0, other) == pytest.approx(
        later_part.told(0.0, 0.0, 0.0, np.roll(other, 1, axis=1))
    )


def test_the_song_is_asked_how_sure_it_is() -> None:
    assert later_part.song_odds(RIGHT) == pytest.approx(np.log(0.011 / 0.951))
    assert later_part.song_odds(replace(RIGHT, other_lines=())) == pytest.approx(np.log(0.001 / 0.951))


@pytest.mark.parametrize("seed", [254000069, 258000025, 260000018])
def test_ordinary_beats_keep_their_bar_lines(seed: int) -> None:
    """Beats of the generator whose later part looks, by its hats, as if it were half a beat off."""
    truth, grid = generated(seed)
    assert grid.bar_one_s == pytest.approx(truth.as_row("")["first_downbeat_s"], abs=0.07)


def test_a_doubted_reading_gives_what_is_open_to_the_other_line() -> None:
    found = RIGHT.doubted(0.6, 3.5)
    assert found.bar_probability == 0.6
    assert dict(found.other_lines) == pytest.approx({-0.5: 0.37, 2.0: 0.02, 0.5: 0.01})
    assert replace(RIGHT, bar_probability=0.4).doubted(0.6, 0.5).bar_probability == 0.4
