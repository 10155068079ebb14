"""Which bar line is bar one: pickups, tags and late entries on bars of known content (common practice)."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm.barline import FirstBar, first_bar
from analyzers.rhythm.moments import entry
from analyzers.rhythm.swell import STRUCK
from tests.analyzers.grid_kit import HAT, KICK, RATE, SNARE, even, onsets_of, pattern, place, tone

BEAT_S = 0.6  # 100 BPM
BAR_S = 4 * BEAT_S
SECONDS = 40.0


def found_bar(sound: np.ndarray, first_sound_s: float, lines_from_s: float) -> tuple[float, FirstBar]:
    """Time of bar one and what was found, with a bar line at `lines_from_s` and every bar after it."""
    lines = np.arange(lines_from_s, SECONDS, BAR_S)
    found = first_bar(onsets_of(sound), lines, BEAT_S, first_sound_s)
    return float(lines[found.index]), found


def bar_one(sound: np.ndarray, first_sound_s: float, lines_from_s: float) -> tuple[float, float]:
    """Time of bar one and the pickup in beats."""
    at, found = found_bar(sound, first_sound_s, lines_from_s)
    return at, found.pickup_beats


def voice(start_s: float, end_s: float, gain: float = 0.05) -> np.ndarray:
    """Noise in syllables, four a second: no pitch, no place on the grid."""
    x = np.zeros(int(SECONDS * RATE))
    a, b = int(start_s * RATE), int(end_s * RATE)
    t = np.arange(b - a) / RATE
    x[a:b] = gain * np.random.default_rng(5).standard_normal(b - a) * np.sin(np.pi * 4.3 * t) ** 2
    return x


def song(start_s: float) -> np.ndarray:
    return place(SECONDS, pattern(even(60 / BEAT_S, start_s, SECONDS)))


def test_music_from_the_first_bar_line_on_begins_there() -> None:
    assert bar_one(song(1.0), 1.0, 1.0) == (1.0, 0.0)


def test_a_spoken_tag_before_the_song_is_no_bar_of_it() -> None:
    start = 1.0 + BAR_S
    found, pickup = bar_one(song(start) + voice(1.0, start), 1.0, 1.0)
    assert found == pytest.approx(start)
    assert pickup == pytest.approx(4.0)


@pytest.mark.parametrize("hz", [41.2, 55.0, 98.0])
def test_a_bass_by_itself_is_the_song(hz: float) -> None:
    """A held note of the lowest octaves, then all the others: no pitch above it, and still no speech."""
    start = 1.0 + BAR_S
    t = np.arange(int(SECONDS * RATE)) / RATE
    bass = 0.3 * np.sin(2 * np.pi * hz * t) * np.minimum((t - 1.0) / 0.02, 1.0) * (t >= 1.0) * (t < start)
    assert bar_one(song(start) + bass, 1.0, 1.0) == (1.0, 0.0)


def test_a_tag_over_noise_may_be_soft_music() -> None:
    """Noise under everything makes what comes first and the song alike: that it is none of it stays open."""
    start = 1.0 + BAR_S
    hiss = 0.1 * np.random.default_rng(2).standard_normal(int(SECONDS * RATE))
    lines = np.arange(1.0, SECONDS, BAR_S)
    clean, under = (
        first_bar(onsets_of(song(start) + voice(1.0, start) + noise), lines, BEAT_S, 1.0)
        for noise in (0.0, hiss)
    )
    assert lines[under.index] == pytest.approx(start)
    assert under.confidence < clean.confidence
    assert under.beside == -1


@pytest.mark.parametrize("silent", [1, 2])
def test_silent_bars_between_a_tag_and_the_song_are_none_of_it(silent: int) -> None:
    start = 1.0 + (1 + silent) * BAR_S
    found, _ = bar_one(song(start) + voice(1.1, 0.9 + BAR_S), 1.1, 1.0)
    assert found == pytest.approx(start)


@pytest.mark.parametrize(("bars", "skipped"), [(1, 1), (2, 2), (3, 0)])
def test_what_comes_first_for_more_than_six_seconds_is_the_song(bars: int, skipped: int) -> None:
    start = 1.0 + bars * BAR_S
    found, pickup = bar_one(song(start) + voice(1.0, start), 1.0, 1.0)
    assert found == pytest.approx(1.0 + skipped * BAR_S)
    assert pickup == pytest.approx(4.0 * skipped)


def test_a_bar_of_chords_before_the_drums_is_the_song() -> None:
    start = 1.0 + BAR_S
    chord = [(1.0, tone(hz, BAR_S), 1.0) for hz in (220.0, 277.18, 329.63)]
    assert bar_one(song(start) + place(SECONDS, chord), 1.0, 1.0)[0] == pytest.approx(1.0)


@pytest.mark.parametrize("attack_s", [0.002, 0.004, 0.008])
def test_a_bar_of_drums_alone_is_the_song(attack_s: float) -> None:
    """Flat as noise, and softer than the bar with which the rest enters; but a kick is struck on its line."""
    t = np.arange(len(KICK)) / RATE
    sub = np.sin(2 * np.pi * 55 * t) * np.exp(-t / 0.06) * np.minimum(t / attack_s, 1) ** 2
    drums = [(1.0 + k * BEAT_S, SNARE if k % 2 else sub, 0.5) for k in range(4)]
    assert bar_one(place(SECONDS, drums) + song(1.0 + BAR_S), 1.0, 1.0) == (1.0, 0.0)


def test_a_tag_that_begins_with_a_plosive_is_none() -> None:
    """Struck out of silence in all bands, but nothing lasts below 120 Hz."""
    start = 1.0 + BAR_S
    words = np.diff(voice(1.0, start - 0.1) + place(SECONDS, [(1.0, SNARE[:3000], 0.5)]), prepend=0.0)
    sound = song(start) + words
    assert entry(onsets_of(sound), 1.0) > STRUCK
    assert bar_one(sound, 1.0, 1.0)[0] == pytest.approx(start)


def test_a_tag_after_which_nothing_enters_is_left_alone() -> None:
    """The same noise over all the song: no bar of it stands apart."""
    found, _ = bar_one(song(1.0) + voice(1.0, SECONDS - 1.0), 1.0, 1.0)
    assert found == pytest.approx(1.0)


@pytest.mark.parametrize("beats", [0.5, 1.0, 2.0, 3.0])
def test_strokes_before_the_bar_line_are_a_pickup(beats: float) -> None:
    start = 1.0 + BAR_S
    early = place(SECONDS, [(start - beats * BEAT_S, KICK, 0.8)])
    found, pickup = bar_one(song(start) + early, start - beats * BEAT_S, 1.0)
    assert found == pytest.approx(start)
    assert pickup == pytest.approx(beats, abs=0.01)


# ms by which the first sound comes before the line: pre-echo of a codec is no pickup, a sixteenth is
@pytest.mark.parametrize(("early_ms", "pickup"), [(20, False), (30, True), (150, True)])
def test_a_breath_before_the_line_is_the_same_event(early_ms: int, pickup: bool) -> None:
    found, beats = bar_one(song(3.4), 3.4 - early_ms / 1000, 1.0)
    assert found == pytest.approx(3.4)
    assert (beats > 0) == pickup


# s by which the first note, a soft one, comes ahead of its line, and whether that is said for certain; a
# sixteenth (0.15 s) is a pickup, and so is what has another attack on the line
@pytest.mark.parametrize(("early_s", "sure"), [(0.028, True), (0.04, False), (0.1, False)])
def test_the_first_attack_hardly_ahead_of_a_line_on_which_nothing_begins_is_its_own(
    early_s: float, sure: bool
) -> None:
    one = 1.0 + BAR_S
    rest = song(one)
    rest[: int((one + 0.9 * BEAT_S) * RATE)] = 0.0
    note = place(SECONDS, [(one - early_s, tone(220.0, BEAT_S, attack_s=0.01), 0.6)])

    at, found = found_bar(rest + note, one - early_s, 1.0)

    assert at == pytest.approx(one)
    assert found.pickup_beats == 0.0
    assert (found.confidence == 1.0) == sure
    assert sure or found.confidence < 0.8
    _, pickup = bar_one(song(one) + note, one - early_s, 1.0)
    assert pickup == pytest.approx(early_s / BEAT_S)


def test_a_sixteenth_ahead_of_a_line_on_which_nothing_begins_is_a_pickup() -> None:
    one = 1.0 + BAR_S
    rest = song(one)
    rest[: int((one + 0.9 * BEAT_S) * RATE)] = 0.0

    _, found = found_bar(rest + place(SECONDS, [(one - 0.15, KICK, 0.8)]), one - 0.15, 1.0)

    assert found.pickup_beats == pytest.approx(0.25)


# beats by which the first sound comes after the line: a bar may begin with a short rest
@pytest.mark.parametrize(("late", "bars_on"), [(0.25, 0), (0.35, 1)])
def test_a_bar_may_begin_with_a_short_rest(late: float, bars_on: int) -> None:
    """A bar of single notes, which the next ones have none of."""
    notes = [(1.0 + (late + beat) * BEAT_S, tone(330.0, 0.3), 0.7) for beat in np.arange(0.0, 3.6, 0.5)]
    found, _ = bar_one(song(1.0 + BAR_S) + place(SECONDS, notes), 1.0 + late * BEAT_S, 1.0)
    assert found == pytest.approx(1.0 + bars_on * BAR_S)


def bars_of(beats: tuple[float, ...], stroke: np.ndarray, bars: int, start_s: float) -> np.ndarray:
    """The same strokes in each of some bars from `start_s` on."""
    at = [start_s + bar * BAR_S + beat * BEAT_S for bar in range(bars) for beat in beats]
    return place(SECONDS, [(t, stroke, 1.0) for t in at])


# beats of a bar that sound in the first bars, as producers begin: off-beat hats, claps, stabs, a late bass
@pytest.mark.parametrize(
    ("beats", "stroke"),
    [
        ((0.5, 1.5, 2.5, 3.5), HAT),
        ((1.0, 3.0), SNARE),
        ((1.5, 2.75, 3.25), tone(110.0, 0.3)),
        ((0.5, 1.5, 2.5, 3.5), tone(440.0, 0.15)),
    ],
)
def test_a_rest_that_comes_again_in_the_next_bars_is_bar_ones_own(
    beats: tuple[float, ...], stroke: np.ndarray
) -> None:
    sound = bars_of(beats, stroke, 4, 1.0) + song(1.0 + 4 * BAR_S)

    at, found = found_bar(sound, 1.0 + beats[0] * BEAT_S, 1.0)

    assert (at, found.pickup_beats) == (1.0, 0.0)
    assert found.confidence > 0.8


def test_bars_are_counted_so_that_the_song_changes_every_four() -> None:
    """What is struck in the first bar's second half leaves its place open; where the layers enter tells."""
    half, lines = (2.0, 2.5, 3.0, 3.5), 1.0
    for late in (0, 1):  # bars by which all that follows comes later
        enters = 1.0 + (4 + late) * BAR_S
        sound = bars_of(half, HAT, 4 + late, 1.0) + song(enters)
        sound = sound + bars_of((0.0,), KICK, 4 * late, 1.0 + BAR_S)  # a pickup ends with an entry on the one
        sound = sound + bars_of((0.5, 1.5, 2.5), tone(660.0, 0.2), 4, enters + 4 * BAR_S)

        at, found = found_bar(sound, 1.0 + 2 * BEAT_S, lines)

        assert at == pytest.approx(1.0 + late * BAR_S)
        assert found.pickup_beats == pytest.approx(2.0 * late, abs=0.01)


def test_which_bar_is_the_first_may_stay_open() -> None:
    """Two beats of all that the song has, before bars that begin with an attack: a pickup. But counted from
    the bar that they lie in, bars 5 to 8 are a break."""
    whole = song(1.0)
    whole[: int((1.0 + 2 * BEAT_S) * RATE)] = 0.0
    whole[int((1.0 + 4 * BAR_S) * RATE) : int((1.0 + 8 * BAR_S) * RATE)] *= 0.1

    _, found = found_bar(whole, 1.0 + 2 * BEAT_S, 1.0)

    assert 0.5 <= found.confidence < 0.9
    assert found.beside == (1 if found.pickup_beats == 0.0 else -1)


@pytest.mark.parametrize("rest", [1, 2])
def test_a_groove_without_its_first_beats_may_be_bar_one_with_a_rest(rest: int) -> None:
    """It is as loud, and struck as the same beats of both the next bars: no pickup is."""
    whole = song(1.0)
    whole[: round((1.0 + rest * BEAT_S) * RATE)] = 0.0

    at, found = found_bar(whole, 1.0 + rest * BEAT_S, 1.0)

    assert 0.5 <= found.confidence <= 0.75
    assert found.beside == (1 if at == 1.0 else -1)
    assert at == 1.0 or rest == 2


@pytest.mark.parametrize("soft_bar", [1, 2])
def test_what_only_one_of_the_next_bars_has_is_a_pickup(soft_bar: int) -> None:
    whole = song(1.0)
    whole[: round((1.0 + BEAT_S) * RATE)] = 0.0
    start_s = 1.0 + soft_bar * BAR_S
    whole[round(start_s * RATE) : round((start_s + BAR_S) * RATE)] *= 0.2

    at, found = found_bar(whole, 1.0 + BEAT_S, 1.0)

    assert (at, found.pickup_beats) == (1.0 + BAR_S, pytest.approx(3.0, abs=0.01))


@pytest.mark.parametrize("beats", [2, 3])
@pytest.mark.parametrize("kind", ["fill", "melody", "soft"])
def test_what_leads_into_the_groove_is_a_pickup_however_long(beats: int, kind: str) -> None:
    """Sixteenths of a snare; notes; the groove itself, but 14 dB down."""
    one = 1.0 + BAR_S
    first_s = one - beats * BEAT_S
    places = np.arange(0.0, beats, 0.25 if kind == "fill" else 0.5)
    notes = [
        (first_s + b * BEAT_S, SNARE if kind == "fill" else tone(330.0 + 40 * b, 0.25), 0.8) for b in places
    ]
    lead = place(SECONDS, notes)
    if kind == "soft":
        lead = 0.2 * song(1.0)
        lead[: round(first_s * RATE)] = 0.0
        lead[round(one * RATE) :] = 0.0

    at, found = found_bar(song(one) + lead, first_s, 1.0)

    assert at == pytest.approx(one)
    assert found.confidence > 0.8


def swell(start_s: float, end_s: float, gain: float = 0.3) -> np.ndarray:
    """Noise that grows, by the power of 2.2, and stops."""
    x = np.zeros(int(SECONDS * RATE))
    a, b = int(start_s * RATE), int(end_s * RATE)
    noise = np.random.default_rng(6).standard_normal(b - a)
    x[a:b] = gain * noise * np.linspace(0, 1, b - a) ** 2.2
    return x


def keys(start_s: float, bars: int) -> np.ndarray:
    """A chord a bar, softer than all that follows."""
    at = [start_s + k * BAR_S for k in range(bars)]
    return place(SECONDS, [(t, tone(hz, BAR_S), 0.2) for t in at for hz in (220.0, 277.18, 329.63)])


@pytest.mark.parametrize("bars", [0.4, 0.69, 1.04, 1.3, 1.7])
def test_a_swell_of_noise_is_no_bar_of_the_song_and_no_pickup(bars: float) -> None:
    """However long, and however softly the song then enters."""
    one = 1.0 + 2 * BAR_S
    sound = swell(one - bars * BAR_S, one) + keys(one, 4) + song(one + 4 * BAR_S)

    at, found = found_bar(sound, one - 0.95 * bars * BAR_S, 1.0)

    assert at == pytest.approx(one)
    assert found.swell


@pytest.mark.parametrize("bars", [3, 4, 7.6, 11])
def test_a_riser_is_no_bar_of_the_song_however_many_bars_it_has(bars: float) -> None:
    one = 1.0 + 12 * BAR_S
    at, found = found_bar(swell(one - bars * BAR_S, one) + song(one), one - 0.95 * bars * BAR_S, 1.0)

    assert at == pytest.approx(one)
    assert found.swell
    assert found.confidence == 1.0


@pytest.mark.parametrize(("decay_bars", "grows"), [(0.24, True), (0.3, True), (0.8, False)])
def test_a_reversed_cymbal_that_is_cut_off_leaps_out_of_silence_and_is_no_bar_of_the_song(
    decay_bars: float, grows: bool
) -> None:
    """A bar long, it begins at -36 dB of its end, or at -29; what begins at -11 is an effect ahead."""
    one = 1.0 + BAR_S
    cymbal, t = swell(1.0, one), np.arange(round(BAR_S * RATE)) / RATE - BAR_S
    noise = np.diff(np.random.default_rng(6).standard_normal(len(t)), prepend=0.0)
    cymbal[RATE : RATE + len(t)] = 0.3 * noise * np.exp(t / (decay_bars * BAR_S))

    at, found = found_bar(cymbal + song(one), 1.0, 1.0)

    assert found.swell == grows
    assert at == pytest.approx(one)


def test_a_swell_that_grows_longer_than_any_riser_does_may_go_on() -> None:
    """Thirteen bars, of two beats each."""
    one = 1.0 + 6.5 * BAR_S
    lines = np.arange(1.0, SECONDS, BAR_S / 2)
    found = first_bar(onsets_of(swell(1.0, one) + song(one)), lines, BEAT_S, 1.1)

    assert lines[found.index] == pytest.approx(one)
    assert found.confidence < 0.8
    assert found.beside == 1


@pytest.mark.parametrize(("stroke", "bars"), [(HAT, 4), (HAT, 8), (SNARE, 8)])
def test_strokes_that_grow_through_many_bars_are_the_songs(stroke: np.ndarray, bars: int) -> None:
    n, one = int(bars * BAR_S * RATE), 1.0 + bars * BAR_S
    grows = 0.5 * bars_of(tuple(np.arange(0, 4, 0.25)), stroke, bars, 1.0)
    grows[RATE : RATE + n] *= np.linspace(0, 1, n) ** 3

    _, found = found_bar(grows + song(one), 1.0 + 0.2 * bars * BAR_S, 1.0)

    assert not found.swell


def test_a_chord_that_grows_through_a_bar_is_the_song() -> None:
    chord = place(SECONDS, [(1.0, tone(hz, 2 * BAR_S, attack_s=2 * BAR_S), 1.0) for hz in (220.0, 277.18)])
    at, found = found_bar(chord + song(1.0 + 2 * BAR_S), 1.0, 1.0)

    assert at == 1.0
    assert not found.swell


def test_music_that_fades_in_begins_where_the_fade_does() -> None:
    """Four bars of fade, by the square: the first stroke lies below what counts as sound."""
    faded = song(1.0)
    n = int(4 * BAR_S * RATE)
    faded[int(RATE) : int(RATE) + n] *= np.linspace(0, 1, n) ** 2

    at, found = found_bar(faded, 1.0 + 0.5 * BEAT_S, 1.0)

    assert (at, found.pickup_beats) == (1.0, 0.0)
