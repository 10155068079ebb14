"""Chords on signals whose notes are known; scored with mir_eval.chord where names are compared."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import mir_eval
import numpy as np
import pytest

from analyzers.harmony import chords as chords_room
from analyzers.harmony.chords import (
    NAMES,
    NO_CHORD,
    beat_edges,
    calibrated,
    change_probability,
    chord_evidence,
    find_chords,
    full_of_notes,
    heard_thirds,
    key_preference,
    mean_between,
    smooth,
    spelling_at,
    third_of_key,
)
from analyzers.harmony.key import find_key
from analyzers.harmony.note_sets import key_sets
from analyzers.harmony.spelling import chord_label, parse_chord, scale_names, tonic_name
from analyzers.harmony.tuning import find_tuning
from analyzers.model import Chord, Grid, Key, KeyChange
from analyzers.signal.spectrum import FRAME_RATE_HZ
from tests.analyzers.harmony_kit import RATE, Wave, accompaniment, drums, features, grid, no_grid, tone
from tests.daemon.sample_report import sample_analysis

LOOP = [(9, "min"), (5, "maj"), (0, "maj"), (7, "maj")]


def chords_of(wave: Wave, g: Grid | None = None) -> tuple[Chord, ...]:
    f = features(wave)
    g = g if g is not None else grid(len(wave) / RATE)
    tuning = find_tuning(f)
    return find_chords(f, tuning, g, find_key(f, tuning, g))


def share_right(chords: tuple[Chord, ...], truth: list[tuple[int, str]], seconds_each: float) -> float:
    """Weighted overlap of major/minor with mir_eval (Harte labels)."""

    def harte(parsed: tuple[int, str] | None) -> str:
        names = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
        return "N" if parsed is None else f"{names[parsed[0]]}:{parsed[1]}"

    ref = np.array([[i, i + 1] for i in range(len(truth))]) * seconds_each
    est, labels = mir_eval.util.adjust_intervals(
        np.array([[c.start_s, c.end_s] for c in chords]), [harte(parse_chord(c.label)) for c in chords],
        0.0, ref.max(), "N", "N",
    )  # fmt: skip
    spans, one, two = mir_eval.util.merge_labeled_intervals(ref, [harte(c) for c in truth], est, labels)
    score = mir_eval.chord.majmin(one, two)
    return float(mir_eval.chord.weighted_accuracy(score, mir_eval.util.intervals_to_durations(spans)))


@pytest.mark.parametrize("tonic", range(12))
def test_a_plain_loop_is_read_in_every_key(tonic: int) -> None:
    truth = [((root + tonic) % 12, quality) for root, quality in LOOP * 2]
    assert share_right(chords_of(accompaniment(truth)), truth, 2.0) > 0.9


def test_drums_leave_the_chords_readable() -> None:
    truth = LOOP * 2
    assert share_right(chords_of(accompaniment(truth) + drums(8)), truth, 2.0) > 0.9


@pytest.mark.parametrize(
    ("tonic", "sounds", "sure"), [("C", True, False), (None, True, True), ("C", False, True)]
)
def test_no_chord_is_not_sure_where_music_with_a_key_goes_on_sounding(
    monkeypatch: pytest.MonkeyPatch, tonic: str | None, sounds: bool, sure: bool
) -> None:
    """Two bars that the network takes for drums alone: notes go on in them, or do not."""
    truth: list[tuple[int, str] | None] = [*LOOP, *LOOP, *LOOP]
    wave = accompaniment(truth if sounds else [*LOOP, *[None] * 2, *LOOP[2:], *LOOP])
    f = features(wave)
    tuning, g = find_tuning(f), grid(len(wave) / RATE)
    key = find_key(f, tuning, g)
    edges = beat_edges(g, f.duration_s)
    evidence = chord_evidence(f, tuning.cents or 0.0, edges).copy()
    evidence[16:24], evidence[16:24, NO_CHORD] = -9.0, -1e-3
    monkeypatch.setattr(chords_room, "chord_evidence", lambda *_: evidence)
    [none] = [
        c for c in find_chords(f, tuning, g, key if tonic else replace(key, tonic=None)) if c.label == "N"
    ]
    assert (none.start_s, none.end_s) == (8.0, 12.0)
    assert none.confidence >= 0.8 if sure else none.confidence <= 0.4


def test_steps_are_full_of_notes_from_half_of_the_fuller_ones_on() -> None:
    heard = np.zeros((6, 12))
    heard[:4, 0], heard[4, 3], heard[5, 3] = 1.0, 0.51, 0.49
    assert full_of_notes(heard).tolist() == [True] * 5 + [False]


@pytest.mark.parametrize("quality", [q for q in NAMES if q != "aug"])
def test_each_kind_of_chord_is_named(quality: str) -> None:
    found = chords_of(accompaniment([(2, quality)] * 6))
    longest = max(found, key=lambda c: c.end_s - c.start_s)
    if quality in ("sus2", "sus4"):  # D sus2 has the notes of A sus4: only the bass tells
        assert "sus" in longest.label
    else:
        assert parse_chord(longest.label) == (2, quality)


def power_chords(roots: list[int]) -> Wave:
    """Root, fifth and octave over the bass, two seconds each: no third is played."""
    notes = [(36 + root, 48 + root, 55 + root, 60 + root) for root in roots]
    return np.concatenate([sum(tone(note, 2.0, harmonics=8) for note in chord) for chord in notes])


@pytest.mark.parametrize("tonic", [0, 4, 9])
def test_a_bare_fifth_is_no_sure_chord_and_has_the_third_of_the_key(tonic: int) -> None:
    """The fifth partial is a major third, 14 cents flat; in a minor key the tonic is minor (handbooks)."""
    f = features(power_chords([(tonic + root) % 12 for root in (0, 8, 3, 10)] * 3))
    g, minor = grid(24), plain_key(tonic_name(tonic, "minor"), "minor", 0.9)
    found = find_chords(f, find_tuning(f), g, minor)
    assert found
    assert all(c.confidence < 0.8 for c in found)
    assert all(a.label != b.label for a, b in pairwise(found))
    labels = {parse_chord(c.label) for c in found}
    assert (tonic, "min") in labels
    assert (tonic, "maj") not in labels
    key = replace(minor, scale=scale_names(minor.tonic, "minor"))
    whole = replace(sample_analysis(), key=key, chords=found, duration_s=24.0)
    assert key_sets(whole, 0.8)[0].beside == ()


def test_a_third_that_is_played_is_believed_in_any_tuning() -> None:
    for cents in (0.0, -14.0, 30.0):
        truth = [(root, quality) for root, quality in LOOP * 2]
        found = chords_of(accompaniment(truth, cents=cents))
        assert share_right(found, truth, 2.0) > 0.9
        assert np.average([c.confidence >= 0.8 for c in found]) > 0.7


def test_how_much_of_a_third_is_heard() -> None:
    """Root, third and fifth of C major and of D minor, by hand; a suspended chord has none."""
    states = [NAMES.index("maj"), 2 * len(NAMES) + NAMES.index("min"), 5 * len(NAMES) + NAMES.index("sus4")]
    heard = np.zeros((4, 12))
    heard[0, [0, 4, 7]] = 2.0, 0.0, 1.0
    heard[1, [0, 4, 7]] = 2.0, 1.5, 1.0  # the same chord again: both together
    heard[2, [2, 5, 9]] = 1.0, 0.1, 1.0
    found = heard_thirds(np.array([states[0], states[0], states[1], states[2]]), heard)
    assert found == pytest.approx({states[0]: 0.5, states[1]: 0.1})
    assert heard_thirds(np.array([NO_CHORD]), heard[:1]) == {}


def test_the_third_of_the_key_is_taken_where_it_has_but_the_other_one() -> None:
    key = plain_key("C", "minor", 0.9)

    def taken(root: int, quality: str, key: Key = key) -> str:
        state = third_of_key(key, 1.0, root * len(NAMES) + NAMES.index(quality))
        assert state // len(NAMES) == root
        return NAMES[state % len(NAMES)]

    assert [taken(root, "maj") for root in (0, 7, 8)] == ["min", "min", "maj"]
    assert taken(0, "7") == "min7"
    assert taken(1, "min") == "maj"
    assert taken(6, "maj") == "maj"  # the scale has neither
    assert taken(0, "maj", replace(key, tonic=None)) == "maj"


def test_half_bar_changes_land_on_their_beats() -> None:
    truth = [(0, "maj"), (9, "min"), (5, "maj"), (7, "maj")] * 4
    found = chords_of(accompaniment(truth, beats=2))
    assert share_right(found, truth, 1.0) > 0.85
    assert all(c.start_s % 0.5 == 0.0 for c in found)


def test_silence_between_the_chords_is_no_chord() -> None:
    found = chords_of(accompaniment([(0, "maj"), (0, "maj"), None, None, (0, "maj"), (0, "maj")]))
    silent = [c for c in found if c.start_s < 6.5 and c.end_s > 5.5]
    assert any(c.label == "N" for c in silent)
    assert any(c.label.startswith("C") for c in found)


@pytest.mark.parametrize("g", [None, no_grid()])
def test_chords_cover_the_file_without_gaps_or_repeats(g: Grid | None) -> None:
    wave = accompaniment(LOOP * 2)
    found = chords_of(wave, g)
    assert found[0].start_s == 0.0
    assert found[-1].end_s == pytest.approx(len(wave) / RATE)
    for a, b in pairwise(found):
        assert a.end_s == b.start_s
        assert a.label != b.label
    assert all(0.0 <= c.confidence <= 1.0 for c in found)


@pytest.mark.parametrize("seconds", [0.0001, 0.2, 3.0])
def test_silence_of_any_length_is_one_stretch_without_a_chord(seconds: float) -> None:
    found = chords_of(np.zeros(max(1, round(seconds * RATE))), no_grid())
    assert [c.label for c in found] == ["N"]


def test_labels_are_spelled_in_the_key() -> None:
    flat_side = [(3, "min"), (8, "min"), (10, "7"), (3, "min")] * 3  # i iv V7 i in E flat minor
    labels = {c.label for c in chords_of(accompaniment(flat_side))}
    assert not any("#" in label for label in labels)
    assert "Ebm" in labels


def test_path_prefers_staying_and_its_probability_is_one() -> None:
    evidence = np.log(np.array([[0.9, 0.1], [0.45, 0.55], [0.9, 0.1]]))
    path, belief = smooth(evidence, np.full(3, 0.05))
    assert path.tolist() == [0, 0, 0]
    assert np.all((belief > 0.5) & (belief <= 1.0))


def test_forward_backward_matches_the_sum_over_all_paths() -> None:
    rng = np.random.default_rng(2)
    n, states = 4, 3
    evidence, change = rng.normal(size=(n, states)), np.array([0.5, 0.2, 0.6, 0.3])
    weight = {}
    for path in np.ndindex(*(states,) * n):
        logw = sum(evidence[i, s] for i, s in enumerate(path))
        for i in range(1, n):
            same = path[i] == path[i - 1]
            logw += np.log(1 - change[i] if same else change[i] / (states - 1))
        weight[path] = np.exp(logw)
    best = max(weight, key=lambda p: weight[p])
    total = sum(weight.values())
    path, belief = smooth(evidence, change)
    assert tuple(path) == best
    for i in range(n):
        share = sum(w for p, w in weight.items() if p[i] == best[i]) / total
        assert belief[i] == pytest.approx(share, abs=1e-6)


def test_steps_average_the_frames_between_their_edges() -> None:
    frames = np.arange(40, dtype=np.float64)[:, None]
    edges = np.array([0.0, 10 / FRAME_RATE_HZ, 40 / FRAME_RATE_HZ])
    assert mean_between(frames, edges)[:, 0] == pytest.approx([4.5, 24.5], abs=0.51)


def test_edges_are_the_beats_inside_the_file() -> None:
    assert beat_edges(grid(2.0), 2.2).tolist() == [0.0, 0.5, 1.0, 1.5, 2.2]


@pytest.mark.parametrize(("first", "beats", "log_odds", "found"), [
    (4, 4, 2.0, True),  # a bar of another chord, though no beat of it is sure
    (4, 4, 1.0, False),  # but not where it is hardly likelier
    (5, 1, 10.0, False),  # one beat inside a bar: a passing note
    (5, 1, 16.0, True),  # unless it is beyond doubt
])  # fmt: skip
def test_chords_change_on_bar_lines_rather_than_inside_bars(
    first: int, beats: int, log_odds: float, found: bool
) -> None:
    """Harmony mostly changes on bar lines (common practice)."""
    evidence = np.full((12, NO_CHORD + 1), -20.0)
    evidence[:, 0] = 0.0
    evidence[first : first + beats, 7] = log_odds
    g = grid(6.0)
    path, _ = smooth(evidence, change_probability(g, beat_edges(g, 6.0)))
    assert (path == 7).nonzero()[0].tolist() == (list(range(first, first + beats)) if found else [])


def test_without_a_grid_a_change_is_as_likely_anywhere() -> None:
    change = change_probability(no_grid(), beat_edges(no_grid(), 6.0))
    assert len(set(change.tolist())) == 1
    assert 0.05 < change[0] < 0.5


def plain_key(tonic: str, mode: str, confidence: float) -> Key:
    return Key(tonic, mode, confidence, (), (), None, None, (), ())


# triads and sevenths on the degrees of the scale; minor with its raised leading note too (any handbook)
IN_C_MAJOR = [(0, "maj"), (2, "min"), (4, "min"), (5, "maj"), (7, "maj"), (9, "min"), (11, "dim"),
              (0, "maj7"), (7, "7"), (2, "min7")]  # fmt: skip
IN_A_MINOR = [(9, "min"), (11, "dim"), (0, "maj"), (2, "min"), (4, "min"), (5, "maj"), (7, "maj"), (4, "7"),
              (4, "maj")]  # fmt: skip
NOT_IN_C = [(2, "maj"), (4, "maj"), (0, "min"), (8, "maj"), (10, "maj"), (0, "7")]


def weight_of(chord: tuple[int, str], key: Key) -> float:
    return float(key_preference(key)[chord[0] * len(NAMES) + NAMES.index(chord[1])])


def test_chords_of_the_scale_are_preferred_as_far_as_the_key_is_sure() -> None:
    sure, half = plain_key("C", "major", 1.0), plain_key("C", "major", 0.5)
    assert {weight_of(chord, sure) for chord in IN_C_MAJOR} == {0.0}
    for chord in NOT_IN_C:
        assert weight_of(chord, sure) == pytest.approx(np.log(1 / 5))  # one in five
        assert weight_of(chord, half) == pytest.approx(np.log(1 / 5) / 2)
    assert {weight_of(chord, plain_key("A", "minor", 1.0)) for chord in IN_A_MINOR} == {0.0}
    assert weight_of((9, "maj"), plain_key("A", "minor", 1.0)) < 0
    assert key_preference(sure)[NO_CHORD] == 0.0
    assert not key_preference(Key(None, None, 0.0, (), (), None, None, (), ())).any()


def test_the_key_decides_where_the_notes_leave_it_open() -> None:
    """Pairs of notes of C major: which chord they belong to is open."""
    rng = np.random.default_rng(1)
    pairs = [rng.choice([0, 2, 4, 5, 7, 9, 11], 2, replace=False) for _ in range(32)]
    wave = np.concatenate([sum(tone(48 + note, 1.0) for note in pair) for pair in pairs])
    f, g = features(wave), grid(len(wave) / RATE)

    def outside(key: Key) -> float:
        found = [(c, parse_chord(c.label)) for c in find_chords(f, find_tuning(f), g, key)]
        scale = plain_key("C", "major", 1.0)
        return sum(c.end_s - c.start_s for c, parsed in found if parsed and weight_of(parsed, scale) < 0)

    told, untold = outside(plain_key("C", "major", 1.0)), outside(plain_key("C", "major", 0.0))
    assert told < 0.7 * untold


def test_a_chord_is_as_sure_as_it_is_right() -> None:
    """Never certain, a coin's throw at most where two chords are as likely, and surer with more evidence."""
    sure = calibrated(np.array([0.0, 0.2, 0.5, 0.9, 1.0]))
    assert np.all(np.diff(sure) > 0)
    assert sure[2] < 0.5
    assert 0.6 < sure[3] < 0.75  # measured: the chain's 0.9 is right in two of three
    assert 0.9 < sure[4] < 0.98


def test_clear_chords_are_surer_than_blurred_ones() -> None:
    clear = chords_of(accompaniment(LOOP * 2))
    rng = np.random.default_rng(3)
    blurred = chords_of(accompaniment(LOOP * 2) + 0.6 * rng.normal(size=16 * RATE))
    mean = lambda chords: np.average([c.confidence for c in chords])  # noqa: E731
    assert mean(clear) > 0.9
    assert mean(blurred) < mean(clear) - 0.05


def test_chords_are_spelled_by_the_key_in_force():
    """C sharp or D flat: the signature decides (Gardner Read, "Music Notation", 1969; from memory)."""
    key = Key("G", "major", 0.9, (), (), None, None, (KeyChange(20.0, "A flat", "major", 0.9),), ())

    assert chord_label(1, "maj", *spelling_at(key, 8.0)) == "C#"
    assert chord_label(1, "maj", *spelling_at(key, 20.0)) == "Db"
    assert spelling_at(Key(None, None, 0.0, (), (), None, None, (), ()), 3.0) == (0, False)
