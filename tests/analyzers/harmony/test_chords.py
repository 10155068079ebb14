"""Chords on signals whose notes are known; scored with mir_eval.chord where names are compared."""

from __future__ import annotations

from itertools import pairwise

import mir_eval
import numpy as np
import pytest

from analyzers.harmony.chords import NAMES, beat_edges, find_chords, mean_between, smooth
from analyzers.harmony.key import find_key
from analyzers.harmony.spelling import parse_chord
from analyzers.harmony.tuning import find_tuning
from analyzers.model import Chord, Grid
from analyzers.signal.spectrum import FRAME_RATE_HZ
from tests.analyzers.harmony_kit import RATE, Wave, accompaniment, drums, features, grid, no_grid

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


@pytest.mark.parametrize("quality", [q for q in NAMES if q != "aug"])
def test_each_kind_of_chord_is_named(quality: str) -> None:
    found = chords_of(accompaniment([(2, quality)] * 6))
    longest = max(found, key=lambda c: c.end_s - c.start_s)
    if quality in ("sus2", "sus4"):  # D sus2 has the notes of A sus4: only the bass tells
        assert "sus" in longest.label
    else:
        assert parse_chord(longest.label) == (2, quality)


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
