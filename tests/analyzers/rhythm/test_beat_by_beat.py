"""The second opinion on how the music is counted: beats heard in their order."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import softmax

from analyzers.level.silence import find_lead_in
from analyzers.rhythm import beat_by_beat, meter
from analyzers.rhythm.beat_by_beat import REACH, in_order, networks, on_bars
from analyzers.rhythm.grid import find_grid
from analyzers.rhythm.in_beats import HEARD, MOST_HEARD
from analyzers.rhythm.meter_evidence import METERS, Hypotheses, weigh
from analyzers.signal.features import Features
from analyzers.signal.onsets import BANDS
from analyzers.signal.samples import Signal
from tests.training.offbeat_songs import KINDS
from tests.training.offbeat_sounds import RATE, synthesised


@pytest.fixture(scope="module")
def ways() -> Hypotheses:
    """Ways to count a song of our own that is written in fours."""
    song = KINDS["plain"](np.random.default_rng([5, zlib.crc32(b"plain")]))
    features = Features(Signal(synthesised(song).astype(np.float32)[:, None], RATE))
    return weigh(features.onsets, song.starts_s + song.beat_s * np.arange(60), song.starts_s, (60.0, 200.0))


def test_a_layer_hears_the_beats_on_either_side_as_far_as_it_reaches() -> None:
    """Dilated convolution by its definition (Bai, Kolter and Koltun 2018), beat by beat."""
    rng = np.random.default_rng(5)
    net, rows = networks()[0], rng.integers(0, 256, (21, HEARD)).astype(np.uint8)
    h = np.maximum(rows / 255 @ net["beat"] + net["beat_bias"], 0)
    for k, reach in enumerate(REACH):
        taps = np.split(net[f"order{k}"], 3)
        out = np.zeros_like(h)
        for beat in range(len(h)):
            for tap, at in zip(taps, (beat - reach, beat, beat + reach), strict=True):
                if 0 <= at < len(h):
                    out[beat] += h[at] @ tap
        h = h + np.maximum(out + net[f"order{k}_bias"], 0)
    assert in_order(net, rows) == pytest.approx(h @ net["found"] + net["found_bias"], rel=1e-3, abs=1e-3)


def test_what_is_found_is_folded_on_bars_of_every_length_from_each_of_their_beats() -> None:
    found = np.stack([np.arange(14) ** 2, -np.arange(14)], axis=1).astype(np.float32)
    bars = on_bars(found)
    assert bars.shape == (sum(METERS), 10)
    row = 0
    for beats in METERS:
        means = np.array([found[first::beats].mean(axis=0) for first in range(beats)])
        for first in range(beats):
            for k in range(2):
                expected = [means[(first + n) % beats, k] for n in range(beats)] + [0.0] * (4 - beats)
                assert bars[row, 4 * k : 4 * k + 4] == pytest.approx(expected)
            assert bars[row, 8:] == pytest.approx(means.mean(axis=0))
            row += 1


def test_what_is_heard_of_a_beat_stays_within_what_was_learned(ways: Hypotheses) -> None:
    assert all(rows.shape[1] == HEARD for rows in ways.heard)
    assert ways.heard[0][:, 0].std() > 0.0
    noise = np.random.default_rng(3).normal(0, 0.1, (60 * RATE, 1)).astype(np.float32)
    noise[: 15 * RATE] *= 1e-4
    onsets = Features(Signal(noise, RATE)).onsets
    level = weigh(onsets, 0.5 * np.arange(120), 0.0, (119.0, 121.0)).heard[0][:, -BANDS:]
    assert (level[2:27] == 0).all()  # 80 dB below the others: no lower than can be told
    assert (level[33:110] > 127).all()


def test_every_rate_and_phase_is_heard_and_the_opinion_is_a_probability(ways: Hypotheses) -> None:
    assert len(ways.heard) * sum(METERS) == len(ways.ratio)
    lengths = [len(rows) * ratio for rows, ratio in zip(ways.heard, ways.ratio[:: sum(METERS)], strict=True)]
    assert np.ptp(lengths) < 2 * max(ways.ratio)  # in pulses: to the last whole beat
    p = beat_by_beat.probabilities(ways)
    assert p.shape == ways.ratio.shape
    assert p.sum() == pytest.approx(1.0)
    assert p.min() >= 0.0


def test_the_order_of_the_beats_is_heard(ways: Hypotheses) -> None:
    """Beats that change places with others of the same place in the bar (12 beats: whole bars of two, three
    and four) leave all means as they are, but not what is found in them."""
    rows, rng = ways.heard[0], np.random.default_rng(1)
    other = rows.copy()
    for place in range(12):
        other[place::12] = rng.permutation(other[place::12])
    assert on_bars(other) == pytest.approx(on_bars(rows), rel=1e-5)
    found, found_in_other = (on_bars(in_order(networks()[0], x)) for x in (rows, other))
    assert np.abs(found_in_other - found).max() > 0.1 * found.std()


def test_a_long_song_is_heard_from_its_beginning_on() -> None:
    noise = np.random.default_rng(3).normal(0, 0.1, (60 * RATE, 1)).astype(np.float32)
    onsets = Features(Signal(noise, RATE)).onsets
    long, short = (weigh(onsets, 60 / n * np.arange(n), 0.0, (n - 1.0, n + 1.0)) for n in (1500, 1000))
    assert {len(rows) for rows in long.heard} == {MOST_HEARD}
    assert {len(rows) for rows in short.heard} <= {999, 1000, 1001}


def test_another_opinion_is_asked_for_in_doubt_only_and_no_bar_line_is_quite_sure_then(
    ways: Hypotheses, monkeypatch: pytest.MonkeyPatch
) -> None:
    sure, other, third = softmax(20.0 * np.eye(len(ways.ratio))[[3, 1, 2]], axis=1)
    asked: list[Hypotheses] = []
    monkeypatch.setattr(beat_by_beat, "probabilities", lambda h: asked.append(h) or other)
    assert meter.heard_again(ways, sure) == (sure, False)
    assert not asked
    doubtful = 0.55 * sure + 0.45 * third
    p, in_doubt = meter.heard_again(ways, doubtful)
    assert asked == [ways]
    assert p == pytest.approx(meter.pooled(doubtful, other))
    assert in_doubt
    assert meter.heard_again(replace(ways, heard=()), doubtful)[0] is doubtful

    monkeypatch.setattr(meter, "probabilities", lambda _: doubtful)
    monkeypatch.setattr(beat_by_beat, "probabilities", lambda _: sure)
    reading = meter.choose_reading(ways, 0.99, played=True)
    assert reading is not None
    assert reading.offset == ways.offset[3]
    assert 0.5 < reading.bar_probability <= meter.TWO_OPINIONS
    assert replace(reading, other_lines=((-0.5, 0.3),)).turned(-0.5, 0.95).bar_probability == meter.TWO_DOUBTS


def test_how_sure_a_bar_line_of_two_opinions_is(ways: Hypotheses, monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: log odds of .55 are .20, times .73 plus .87 they are those of .734. Of pulses followed from
    attack to attack nothing was fitted; drums that leave another half beat open are a second doubt."""
    p = softmax(20.0 * np.eye(len(ways.ratio))[3])
    monkeypatch.setattr(meter, "heard_again", lambda *_: (p, True))
    monkeypatch.setattr(meter, "calibrated", lambda *_: 0.55)

    def bar(in_phase: float, *, played: bool = False) -> float:
        monkeypatch.setattr(meter, "by_drums", lambda *_: (p, in_phase))
        reading = meter.choose_reading(ways, 0.99, played=played)
        assert reading is not None
        return reading.bar_probability

    assert bar(1.0) == pytest.approx(0.734, abs=0.001)
    assert bar(1.0, played=True) == 0.55
    monkeypatch.setattr(meter, "calibrated", lambda *_: 0.99)
    assert (bar(1.0), bar(0.85), bar(0.6)) == pytest.approx((0.9, 0.7, 0.6))


def test_what_one_opinion_rules_out_is_out_and_what_both_allow_is_likeliest() -> None:
    """A logarithmic pool; by hand: of .9, .1, 0 and 0, .2, .8 the middle one is left (mean: the first)."""
    one, other = np.array([0.9, 0.1, 0.0]), np.array([0.0, 0.2, 0.8])
    assert meter.pooled(one, other).argmax() == 1
    assert meter.pooled(one, other)[1] > 0.98
    assert meter.pooled(one, one) == pytest.approx(one, abs=1e-5)
    apart = meter.pooled(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    assert apart == pytest.approx([0.5, 0.5])  # nothing that both allow: still probabilities


def test_a_song_whose_introduction_is_off_the_beat_gets_the_bar_lines_that_are_written() -> None:
    """Chords and bass on every "and" before the drums (common practice, written down from memory); without
    the second opinion its bars begin elsewhere, with 0.7."""
    song = KINDS["offintro"](np.random.default_rng([5, 4, zlib.crc32(b"offintro")]))
    features = Features(Signal(synthesised(song).astype(np.float32)[:, None], RATE))
    grid = find_grid(features, find_lead_in(features))
    assert grid.bar_one_s is not None
    late = (grid.bar_one_s - song.starts_s) / (song.beats * song.beat_s)
    assert late == pytest.approx(round(late), abs=0.02)
    assert grid.bar_one_confidence < 0.8
