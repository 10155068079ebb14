"""Key on progressions that any handbook of harmony gives for a key, and on what has none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from music21 import key as m21key

from analyzers.harmony import key as key_room
from analyzers.harmony.key import (
    Stretch,
    clearness,
    count_notes,
    find_key,
    moved_by,
    profile_fit,
    stands_still,
    without_opening,
)
from analyzers.harmony.key_belief import MODES, Belief, favoured_tones
from analyzers.harmony.key_change import in_force, key_begin, later_changes
from analyzers.harmony.network_inputs import Segment
from analyzers.harmony.spelling import scale_names, tonic_name
from analyzers.harmony.tuning import find_tuning
from analyzers.harmony.voicing import QUALITIES
from analyzers.model import Grid, Key
from analyzers.signal.spectrum import NOTES
from tests.analyzers.harmony_kit import RATE, Wave, accompaniment, drums, features, grid, no_grid, tone

# cadences that establish a key: I vi IV V / I IV V7 I, and in minor i VI iv V7 / i iv V7 i
MAJOR = [(0, "maj"), (9, "min"), (5, "maj"), (7, "maj"), (0, "maj"), (5, "maj"), (7, "7"), (0, "maj")]
MINOR = [(0, "min"), (8, "maj"), (5, "min"), (7, "7"), (0, "min"), (5, "min"), (7, "7"), (0, "min")]
DORIAN = [(0, "min7"), (5, "7")] * 4
MIXOLYDIAN = [(0, "maj"), (10, "maj"), (5, "maj"), (0, "maj")] * 2


def moved(chords: list[tuple[int, str]], tonic: int) -> list[tuple[int, str] | None]:
    return [((root + tonic) % 12, quality) for root, quality in chords]


def key_of(wave: Wave, g: Grid | None = None) -> Key:
    f = features(wave)
    return find_key(f, find_tuning(f), g if g is not None else grid(len(wave) / RATE))


@pytest.mark.parametrize("tonic", range(12))
@pytest.mark.parametrize(("mode", "chords"), [("major", MAJOR), ("minor", MINOR)])
def test_handbook_cadences_give_their_key(tonic: int, mode: str, chords: list[tuple[int, str]]) -> None:
    key = key_of(accompaniment(moved(chords, tonic)))
    assert key.tonic == tonic_name(tonic, "minor" if mode == "minor" else "major")
    assert key.mode in ((mode,) if mode == "major" else ("minor", "harmonic minor"))
    assert key.confidence > 0.5
    assert key.scale[0] == key.tonic


@pytest.mark.parametrize("cents", [-45.0, -31.77, 20.0, 45.0])
def test_a_detuned_track_keeps_its_key(cents: float) -> None:
    key = key_of(accompaniment(moved(MINOR, 3), cents=cents))
    assert key.tonic == "E flat"


def test_drums_and_a_deep_kick_do_not_change_the_key() -> None:
    wave = accompaniment(moved(MAJOR, 7))
    assert key_of(wave + drums(8)).tonic == "G"


@pytest.mark.parametrize(("chords", "mode"), [(DORIAN, "dorian"), (MIXOLYDIAN, "mixolydian")])
def test_church_modes_are_said_and_their_scale_is_given(chords: list[tuple[int, str]], mode: str) -> None:
    key = key_of(accompaniment(moved(chords, 2)))
    assert (key.tonic, key.mode) == ("D", mode)
    assert key.scale == scale_names("D", mode)


def test_relative_parallel_and_runner_up_are_listed() -> None:
    key = key_of(accompaniment(moved(MAJOR, 0)))
    assert key.relative is not None
    assert key.parallel is not None
    assert (key.relative.tonic, key.relative.mode) == ("A", "minor")
    assert (key.parallel.tonic, key.parallel.mode) == ("C", "minor")
    probabilities = [c.probability for c in key.alternatives]
    assert probabilities == sorted(probabilities, reverse=True)
    assert probabilities[0] == key.confidence
    assert sum(probabilities) <= 1.0
    assert sum(key.profile) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("kind", ["drums", "noise", "silence", "one sample", "random notes"])
def test_what_has_no_key_gets_none(kind: str) -> None:
    rng = np.random.default_rng(11)
    wave = {
        "drums": drums(16), "noise": rng.normal(0, 0.1, 20 * RATE), "silence": np.zeros(5 * RATE),
        "one sample": np.ones(1), "random notes": np.concatenate(
            [np.sin(2 * np.pi * rng.uniform(100, 2000) * np.arange(RATE // 2) / RATE) for _ in range(60)]),
    }[kind]  # fmt: skip
    key = key_of(wave)
    assert key.tonic is None
    assert key.mode is None
    assert key.confidence <= 0.5
    assert key.reason
    assert key.scale == ()


def test_a_change_of_key_is_found_on_its_bar_line() -> None:
    before, after = moved(MAJOR, 0) * 2, moved(MAJOR, 3) * 2
    key = key_of(accompaniment(before + after))
    assert key.tonic == "C"
    assert [(c.tonic, c.mode) for c in key.changes] == [("E flat", "major")]
    assert key.changes[0].at_s == pytest.approx(32.0, abs=2.0)  # one bar is 2 s
    assert key.changes[0].at_s % 2.0 == 0.0


@pytest.mark.parametrize(("by", "far"), [(1, 1), (2, 2), (11, -1)])
@pytest.mark.parametrize("loop", [[(0, "maj"), (7, "maj"), (9, "min"), (5, "maj")], MAJOR[:4]])
def test_the_key_of_a_passage_that_is_moved_is_the_old_key_moved(
    loop: list[tuple[int, str]], by: int, far: int
) -> None:
    """A direct modulation repeats a passage: four bars, too few for a key of their own."""
    key = key_of(accompaniment(moved(loop, 0) * 4 + moved(loop, by)))
    assert (key.tonic, key.mode) == ("C", "major")
    [change] = key.changes
    assert (change.tonic, change.mode) == (tonic_name(far, "major"), "major")
    assert change.key_confidence == key.confidence
    assert change.confidence >= 0.75
    assert change.alternatives[0].probability == change.key_confidence


def test_a_key_of_other_chords_is_judged_as_the_first_one_is() -> None:
    """The pooled opinions on the later stretch alone."""
    before, after = accompaniment(moved(MAJOR, 0) * 2), accompaniment(moved(MINOR, 6) * 2)
    [change] = key_of(np.concatenate((before, after))).changes
    alone = key_of(after)
    assert (change.tonic, change.mode) == (alone.tonic, alone.mode)
    assert change.key_confidence == pytest.approx(alone.confidence, abs=0.05)


def clusters(bars: int) -> Wave:
    """A second over a fourth and its neighbours, on another root each bar: no key (five pitch classes)."""
    return np.concatenate(
        [sum(0.7 * tone(48 + 5 * b % 12 + step, 2.0) for step in (0, 1, 2, 6, 7)) for b in range(bars)]
    )


@pytest.mark.parametrize(("bars", "tonic"), [(4, 2), (4, 9), (8, 2)])
def test_a_song_that_opens_without_a_key_has_the_key_of_what_follows(bars: int, tonic: int) -> None:
    key = key_of(np.concatenate((clusters(bars), accompaniment(moved(MAJOR, tonic) * 2))))
    assert (key.tonic, key.mode) == (tonic_name(tonic, "major"), "major")
    assert key.confidence > 0.8
    begin = key_begin(key)
    assert begin is not None
    assert begin.at_s == bars * 2.0
    assert begin.key_confidence == key.confidence
    assert later_changes(key) == ()
    assert (in_force(key, 2.0).tonic, in_force(key, bars * 2.0).tonic) == (None, key.tonic)


def test_without_a_key_in_any_stretch_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    none = Stretch(0, 1.0, Belief(np.full((12, 6), 1e-4, np.float32)), np.zeros(12, np.float32), 0.9)
    monkeypatch.setattr(key_room, "_stretches", lambda _: [none, replace(none, start=16)])
    key = key_of(accompaniment(moved(MAJOR, 0)))
    assert (key.tonic, key.changes) == (None, ())


@pytest.mark.parametrize(("clear", "dropped"), [(0.59, True), (0.61, False)])
def test_an_opening_that_is_far_less_clear_than_the_song_is_no_key_of_it(clear: float, dropped: bool) -> None:
    """Less than three quarters as clear."""
    opening, song, last = (
        Stretch(start, 0.9, belief_in(tonic, major=0.9), np.zeros(12, np.float32), how)
        for start, tonic, how in ((0, 6, clear), (16, 2, 0.8), (32, 4, 0.9))
    )
    whole = [opening, song, last]
    assert without_opening(whole) == (whole[1:] if dropped else whole)
    assert without_opening([opening]) == [opening]  # alone it is all there is
    assert without_opening([song, opening, last]) == [song, opening, last]


def test_each_stretch_is_as_sure_as_its_own_chords_are_clear(monkeypatch: pytest.MonkeyPatch) -> None:
    flat = np.full(12, 1 / 12, np.float32)
    murky = Stretch(0, 1.0, belief_in(6, major=0.9), flat, 0.4)
    clear = Stretch(16, 0.9, belief_in(2, major=0.9), flat, 0.5)
    monkeypatch.setattr(key_room, "_stretches", lambda _: [murky, clear])
    key = key_of(accompaniment(moved(MAJOR, 2) * 2))
    assert (key.tonic, key.confidence) == ("F sharp", pytest.approx(0.45))
    assert key_begin(key) is None
    assert (key.changes[0].tonic, key.changes[0].key_confidence) == ("D", pytest.approx(0.8386, abs=1e-3))


# Chords over a held first degree: II has the lydian fourth, F sharp in C (any handbook of modes)
def pedal(chords: list[tuple[int, str]]) -> Wave:
    over = [[48 + (root + step) % 12 + 12 for step in QUALITIES[quality]] for root, quality in chords]
    each = [sum(tone(note, 2.0) for note in notes) for notes in over]
    held = [sum(2.0 * tone(note, 2.0) for note in (24, 36, 48)) for _ in chords]
    return np.concatenate([one + two for one, two in zip(each, held, strict=True)])


@pytest.mark.parametrize(("second", "sure"), [((2, "maj"), False), ((0, "maj"), True)])
def test_over_a_pedal_a_scale_that_its_notes_do_not_favour_is_not_sure(
    monkeypatch: pytest.MonkeyPatch, second: tuple[int, str], sure: bool
) -> None:
    every = belief_in(0, major=0.96)
    monkeypatch.setattr(key_room, "judge", lambda _: every)
    monkeypatch.setattr(
        key_room, "judge_as_record", lambda _: ((every, every), np.zeros((12, 2), np.float32))
    )
    key = key_of(pedal([(0, "maj"), second, (0, "maj"), (0, "maj")] * 3))
    assert (key.tonic, key.mode) == ("C", "major")
    assert (key.profile[6] > max(key.profile[5], 0.03)) != sure
    assert (key.confidence >= 0.8) == sure


def one_root(share: float) -> Segment:
    chords = np.zeros((10, 12, 9), np.float32)
    chords[:, 0, 0], chords[:, 7, 0] = share, 1 - share
    return Segment(np.ones((10, NOTES), np.float32), chords, np.zeros(10, np.float32), None)


def test_music_stands_still_where_two_thirds_of_it_have_one_root() -> None:
    assert stands_still(one_root(0.68))
    assert not stands_still(one_root(0.65))


@pytest.mark.parametrize(("mode", "other", "own"), [
    ("major", 6, 5), ("major", 10, 11), ("minor", 9, 8), ("minor", 1, 2), ("minor", 11, 10), ("dorian", 8, 9),
    ("mixolydian", 11, 10), ("phrygian", 2, 1), ("harmonic minor", 10, 11),
])  # fmt: skip
def test_a_related_scale_is_favoured_where_its_tone_sounds_as_much(mode: str, other: int, own: int) -> None:
    profile = [0.0] * 12
    profile[(2 + other) % 12], profile[(2 + own) % 12] = 0.05, 0.05
    assert favoured_tones(2, mode, profile) == {(2 + other) % 12}
    profile[(2 + own) % 12] = 0.06
    assert favoured_tones(2, mode, profile) == set()
    profile[(2 + other) % 12], profile[(2 + own) % 12] = 0.02, 0.0  # may be partials
    assert favoured_tones(2, mode, profile) == set()


def test_a_passage_is_known_again_so_many_semitones_higher() -> None:
    chords = np.zeros((4, 12, 2), np.float32)
    for step, root in enumerate((0, 5, 7, 9)):
        chords[step, root, root == 9] = 1
    levels, none = np.zeros((4, NOTES), np.float32), np.zeros(4, np.float32)
    one, up = (Segment(levels, np.roll(chords, by, axis=1), none, None) for by in (0, 2))
    assert (moved_by(one, up), moved_by(up, one)) == (2, 10)
    assert moved_by(one, one) is None
    assert moved_by(one, Segment(levels, np.roll(chords, 1, axis=2), none, None)) is None


def test_a_secondary_dominant_is_no_change_of_key() -> None:
    loop = [(0, "maj"), (2, "7"), (7, "7"), (0, "maj")] * 6  # I V/V V I
    key = key_of(accompaniment(moved(loop, 0)))
    assert key.tonic == "C"
    assert key.changes == ()


def test_works_without_a_grid() -> None:
    key = key_of(accompaniment(moved(MINOR, 9)), no_grid())
    assert key.tonic == "A"
    assert key.changes == ()


def test_the_same_signal_gives_the_same_answer() -> None:
    wave = accompaniment(moved(MINOR, 5))
    assert key_of(wave) == key_of(wave)


def belief_in(tonic: int, **shares: float) -> Belief:
    scales = np.zeros((12, 6), np.float32)
    for mode, share in shares.items():
        scales[tonic, MODES.index(mode.replace("_", " "))] = share
    return Belief(scales)


def test_a_key_without_a_clear_chord_is_never_sure() -> None:
    """At most 0.45: under half, so that the report asks for ears."""
    sure = belief_in(3, minor=0.6, dorian=0.3)
    murky = sure.dimmed(0.44)
    assert murky.confidence == pytest.approx(0.45)
    assert murky.best == sure.best == (3, 1)
    assert murky.scales[3] / murky.scales[3].sum() == pytest.approx(sure.scales[3] / sure.scales[3].sum())
    assert sure.dimmed(0.46).confidence == pytest.approx(0.9)
    assert belief_in(3, minor=0.2).dimmed(0.1).confidence == pytest.approx(0.2)  # never made surer


def test_what_is_likelier_than_not_is_calibrated_and_stays_in_order() -> None:
    """Slope 0.75 on the log odds: odds of 4 to 1 become 2.83 to 1; even odds and less stay."""
    scales = np.zeros((12, 6), np.float32)
    scales[3, MODES.index("minor")], scales[3, MODES.index("dorian")] = 0.5, 0.3
    scales[6, MODES.index("major")], scales[3, MODES.index("major")] = 0.1, 0.06  # 0.04: no key
    told = Belief(scales).calibrated()
    assert told.confidence == pytest.approx(4**0.75 / (1 + 4**0.75))
    assert told.best == (3, 1)
    left = 1 - told.confidence
    assert told.plain[6, 0] == pytest.approx(left / 2)  # 0.1 of the 0.2 that was left
    assert told.none == pytest.approx(left * 0.2)
    open_question = belief_in(3, minor=0.45, major=0.4)
    assert open_question.calibrated() is open_question


def test_opinions_are_pooled_by_their_shares() -> None:
    """A logarithmic pool (Genest and Zidek 1986) of three with .15, .4 and .45, worked out by hand."""
    one = Belief(belief_in(3, minor=0.6, dorian=0.3).scales + belief_in(6, major=0.1).scales)
    two = Belief(belief_in(3, minor=0.2).scales + belief_in(6, major=0.8).scales)
    three = Belief(belief_in(3, minor=0.7).scales + belief_in(6, major=0.3).scales)
    pool = one.pooled((two, three), np.zeros((12, 2), np.float32))
    against = (0.1 / 0.9) ** 0.15 * (0.8 / 0.2) ** 0.4 * (0.3 / 0.7) ** 0.45
    assert pool.best == (3, 1)
    assert pool.plain[6, 0] / pool.plain[3, 1] == pytest.approx(against, rel=1e-3)
    assert pool.scales.sum() == pytest.approx(1.0, abs=1e-3)
    assert pool.scales[3, MODES.index("dorian")] / pool.plain[3, 1] == pytest.approx(1 / 3, rel=1e-3)


def test_where_opinions_are_even_the_notes_decide() -> None:
    even = Belief(belief_in(3, minor=0.45).scales + belief_in(6, major=0.45).scales)
    fit = np.zeros((12, 2), np.float32)
    fit[3, 1] = 0.5
    pool = even.pooled((even, even), fit)
    assert pool.best == (3, 1)
    weight = np.exp(1.5 * 0.5)  # weight of the profiles times what they say
    assert pool.plain[3, 1] / pool.plain[6, 0] == pytest.approx(weight, rel=1e-3)
    assert pool.none == pytest.approx(0.1, rel=1e-3)  # the notes say which key, not whether there is one


def test_all_must_find_no_key_before_there_is_none() -> None:
    nothing = Belief(np.full((12, 6), 1e-4, np.float32))
    assert nothing.pooled((nothing, nothing), np.zeros((12, 2), np.float32)).none > 0.9
    sure = belief_in(3, minor=0.9)
    assert nothing.pooled((sure, sure), np.zeros((12, 2), np.float32)).best == (3, 1)


def test_no_key_does_not_gain_where_opinions_differ_on_which_key_it_is() -> None:
    """Each of the three is 60 % sure that there is a key."""
    one, two, three = (Belief(belief_in(t, major=0.5).scales + np.float32(0.1 / 72)) for t in (0, 3, 6))
    pool = one.pooled((two, three), np.zeros((12, 2), np.float32))
    assert pool.none == pytest.approx(0.4, rel=1e-3)
    assert not pool.keyless


def named(scales: dict[tuple[int, str], float], profile: list[float], monkeypatch: pytest.MonkeyPatch) -> Key:
    """The key of a piece of which so much is believed of each scale."""
    belief = np.zeros((12, 6), np.float32)
    for (tonic, mode), share in scales.items():
        belief[tonic, MODES.index(mode)] = share
    one = Stretch(0, 1.0, Belief(belief), np.array(profile, np.float32), 0.9)
    monkeypatch.setattr(key_room, "_stretches", lambda _: [one])
    return key_of(accompaniment(moved(MAJOR, 0)))


@pytest.mark.parametrize(("lowered", "raised", "rival", "told"), [
    (0.2, 0.0, 0.1, [("mixolydian", 0.35), ("major", 0.15)]),  # far stronger: its share, 7 in 10
    (0.2, 0.2, 0.1, [("major", 0.325), ("mixolydian", 0.175)]),  # both sound: half of that
    (0.2, 0.2, 0.34, [("major", 0.5)]),  # D minor would be likelier than either
    (0.2, 0.0, 0.36, [("major", 0.5)]),
])  # fmt: skip
def test_a_church_mode_is_named_from_half_of_its_keys_share_on_and_nothing_is_likelier_than_what_is_named(
    monkeypatch: pytest.MonkeyPatch, lowered: float, raised: float, rival: float,
    told: list[tuple[str, float]],
) -> None:  # fmt: skip
    profile = [0.1] * 12
    profile[10], profile[11] = lowered, raised  # B flat and B in C
    scales = {(0, "mixolydian"): 0.35, (0, "major"): 0.15, (2, "minor"): rival}
    key = named(scales, profile, monkeypatch)
    assert (key.tonic, key.mode) == ("C", told[0][0])
    assert key.scale == scale_names("C", told[0][0])
    assert key.confidence == max(c.probability for c in key.alternatives)
    found = [(c.mode, pytest.approx(c.probability, abs=1e-3)) for c in key.alternatives if c.tonic == "C"]
    assert told == [(mode, p) for mode, p in found if p.expected > 0]
    assert ("D", "minor", rival) in [(c.tonic, c.mode, round(c.probability, 3)) for c in key.alternatives]


@pytest.mark.parametrize(("left", "said"), [(0.4, True), (0.6, False)])
def test_a_key_that_is_there_but_doubtful_is_offered(
    monkeypatch: pytest.MonkeyPatch, left: float, said: bool
) -> None:
    """No one key is as likely as none, but all of them together are: driven guitars without thirds, say."""
    scales = np.full((12, 6), 0.8 * (1 - left) / 72, np.float32)
    scales[3, MODES.index("minor")] += np.float32(0.2 * (1 - left))
    every = Belief(scales)
    assert every.confidence < every.none
    monkeypatch.setattr(key_room, "judge", lambda _: every)
    monkeypatch.setattr(
        key_room, "judge_as_record", lambda _: ((every, every), np.zeros((12, 2), np.float32))
    )
    key = key_of(accompaniment(moved(MINOR, 3)))
    assert (key.tonic, key.mode) == (("E flat", "minor") if said else (None, None))
    assert key.confidence < 0.2  # "check by ear"


@pytest.mark.parametrize(
    ("tonic", "mode"), [("C", "major"), ("E-", "major"), ("a", "minor"), ("f#", "minor")]
)
def test_the_tones_of_a_scale_fit_its_key_best(tonic: str, mode: str) -> None:
    """Scales as music21 (BSD) spells them; the tonic's chord twice as strong, as in most music."""
    home = m21key.Key(tonic)
    chroma = np.full(12, 0.05, np.float32)
    for pitch in home.getScale().pitches[:7]:
        chroma[pitch.pitchClass] = 1.0
    for degree in (1, 3, 5):
        chroma[home.pitchFromDegree(degree).pitchClass] += 1.0
    found, side = divmod(int(np.argmax(profile_fit(chroma))), 2)
    assert (found, ("major", "minor")[side]) == (home.tonic.pitchClass, mode)


def test_silence_fits_every_key_alike() -> None:
    assert not profile_fit(np.zeros(12, np.float32)).any()


def test_a_bare_melody_is_not_sure_of_its_key() -> None:
    steps = [0, 4, 7, 0, 5, 9, 7, 11, 0, 2, 4, 5, 7, 9, 11, 0] * 4
    melody = key_of(np.concatenate([tone(60 + step, 0.5) for step in steps]))
    assert melody.tonic == "C"
    assert 0.2 < melody.confidence <= 0.45


@pytest.mark.parametrize("notes", [(66,), (66, 69), (62, 66), (60, 67)])
def test_a_key_on_one_or_two_notes_is_never_sure(notes: tuple[int, ...]) -> None:
    """Two pitched bells: a third belongs to many keys (any handbook)."""
    beat = sum(tone(note, 0.5) for note in notes)
    assert key_of(np.tile(beat, 48)).confidence < 0.8
    third = np.concatenate([tone(note, 0.5) for note in (*notes, notes[0])])
    assert key_of(np.tile(third, 24)).confidence < 0.8


def test_notes_are_counted_by_how_much_of_them_is_played() -> None:
    """The fifth over the first counts from half of it on, that over the third is none."""
    assert count_notes(np.array([5.0, 1.1, 0.9, 0.0, 0, 0, 0, 0, 0, 0, 0, 0])) == 2
    assert count_notes(np.array([5.0, 1.1, 4.0, 2.0, 0, 0, 0, 2.4, 0, 1.9, 0, 0])) == 4
    assert count_notes(np.array([5.0, 1.1, 4.0, 2.0, 0, 0, 0, 2.6, 0, 1.9, 0, 0])) == 5
    assert count_notes(np.zeros(12)) == 0


@pytest.mark.parametrize(("third", "count"), [(1.4, 2), (1.6, 3)])
def test_a_third_that_may_be_the_fifth_partial_of_its_root_is_no_note(third: float, count: int) -> None:
    """A drone on a bare fifth, its voices detuned: the partial is smeared up to the third in tune."""
    assert count_notes(np.array([5.0, 0, 0, 0, third, 0, 0, 4.5, 0, 0, 0, 0])) == count


@pytest.mark.parametrize(("chords", "unheard"), [
    ([(9, "min7")], ("F",)), ([(9, "min")], ("F",)), ([(9, "min"), (5, "maj")], ()),
    ([(9, "min7"), (2, "7")], ()), ([(0, "maj")], ()),
])  # fmt: skip
def test_a_sixth_or_seventh_of_minor_of_which_no_form_sounds_is_named(
    chords: list[tuple[int, str]], unheard: tuple[str, ...]
) -> None:
    key = key_of(accompaniment(chords * 12))
    assert (key.tonic, key.unheard) == ("C" if chords == [(0, "maj")] else "A", unheard)


def test_a_vamp_on_one_triad_may_be_sure() -> None:
    assert key_of(accompaniment([(9, "min")] * 12)).confidence > 0.8


def test_clearness_is_that_of_the_likeliest_chord_where_one_sounds() -> None:
    chords = np.zeros((4, 12, 9), np.float32)
    chords[0, 0, 0], chords[1, 5, 0], chords[2, 7, 0] = 0.9, 0.5, 0.3
    none = np.array([0.1, 0.1, 0.6, 0.99], np.float32)
    heard = Segment(np.ones((4, NOTES), np.float32), chords, none, None)
    assert clearness(heard) == pytest.approx(0.7)
    assert clearness(heard.part(2, 4)) == 0.0


# D dorian has B where D minor has B flat (any handbook of modes): weight of B and of B flat in the music
@pytest.mark.parametrize(("share", "b", "b_flat", "mode"), [
    (0.66, 0.01, 0.05, "dorian"),  # sure of it, whatever the notes
    (0.64, 0.01, 0.05, "minor"),
    (0.36, 0.11, 0.05, "dorian"),  # possible, and its tone more than twice as strong
    (0.36, 0.09, 0.05, "minor"),
    (0.34, 0.11, 0.05, "minor"),  # hardly possible
])  # fmt: skip
def test_a_church_mode_is_said_only_where_it_clearly_fits(
    share: float, b: float, b_flat: float, mode: str
) -> None:
    profile = np.full(12, 0.05, np.float32)
    profile[11], profile[10] = b, b_flat
    assert belief_in(2, dorian=0.9 * share, minor=0.9 * (1 - share)).mode(2, 1, profile) == mode


# tone that sets each scale apart on C, and the one it replaces (any handbook of modes)
@pytest.mark.parametrize(("mode", "its", "plain"), [
    ("dorian", 9, 8), ("phrygian", 1, 2), ("mixolydian", 10, 11), ("harmonic minor", 11, 10),
])  # fmt: skip
def test_each_scale_is_told_by_its_own_tone(mode: str, its: int, plain: int) -> None:
    side = 0 if mode == "mixolydian" else 1
    rest = "major" if side == 0 else "minor"
    belief = belief_in(0, **{mode.replace(" ", "_"): 0.4, rest: 0.5})
    profile = np.full(12, 0.05, np.float32)
    profile[its], profile[plain] = 0.2, 0.05
    assert belief.mode(0, side, profile) == mode
    profile[its], profile[plain] = 0.05, 0.2
    assert belief.mode(0, side, profile) == rest


@pytest.mark.parametrize(
    ("mode", "its", "plain"), [("dorian", 9, 8), ("phrygian", 1, 2), ("mixolydian", 10, 11)]
)
def test_a_church_mode_is_as_sure_as_it_is_among_the_scales_of_its_key(
    mode: str, its: int, plain: int
) -> None:
    """Its tone and the one it replaces both sound: half as sure."""
    belief = belief_in(0, **{mode: 0.6, "major" if mode == "mixolydian" else "minor": 0.2})
    profile = np.full(12, 0.05, np.float32)
    profile[its] = 0.2
    assert belief.sure_of_mode(0, mode, profile) == pytest.approx(0.75)
    profile[plain] = 0.2
    assert belief.sure_of_mode(0, mode, profile) == pytest.approx(0.375)
    possible, twice = belief_in(0, **{mode: 0.4, "major" if mode == "mixolydian" else "minor": 0.6}), profile
    twice[plain] = 0.1
    assert possible.sure_of_mode(0, mode, twice) == pytest.approx(0.5185, abs=1e-4)  # odds of .35, times 2
    assert belief_in(0, harmonic_minor=0.4, minor=0.5).sure_of_mode(0, "harmonic minor", profile) == 1


def test_the_doubt_about_the_mode_is_told_with_the_plain_key() -> None:
    """I, flat III, IV, I in major: one B flat does not make it mixolydian."""
    key = key_of(accompaniment(moved([(0, "maj"), (3, "maj"), (5, "maj"), (0, "maj")], 0) * 3))
    assert (key.tonic, key.mode) in (("C", "major"), ("C", "mixolydian"))
    if key.mode == "mixolydian":
        assert key.confidence < 0.8
    told = {(c.tonic, c.mode): c.probability for c in key.alternatives}
    assert told[str(key.tonic), str(key.mode)] == key.confidence
    assert sum(told.values()) <= 1.0001
    dorian = key_of(accompaniment(moved(DORIAN, 2)))
    told = {(c.tonic, c.mode): c.probability for c in dorian.alternatives}
    assert (told["D", "dorian"], "D") == (dorian.confidence, dorian.tonic)


def test_scales_of_one_signature_are_added_up() -> None:
    """C major, D dorian, E phrygian, G mixolydian and A minor share their notes (any handbook)."""
    scales = np.zeros((12, 6), np.float32)
    for tonic, mode in ((0, "major"), (2, "dorian"), (4, "phrygian"), (7, "mixolydian"), (9, "minor")):
        scales[tonic, MODES.index(mode)] = 0.2
    assert Belief(scales).signatures == pytest.approx(np.eye(12)[0], abs=1e-6)
