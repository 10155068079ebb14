"""The constant fit, the moving map and the tempo curve, each fed by itself.

Beat period = 60 / BPM s (any handbook's table of note values).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from analyzers.rhythm.beat_onsets import loose_offset, onset_offset
from analyzers.rhythm.drift import LOOSELY, TIGHTLY, attack_curve, follow, local_periods
from analyzers.rhythm.lattice import (
    autocorrelations,
    coarse_periods,
    comb_scores,
    tempogram,
    windows_of,
)
from analyzers.rhythm.lattice_fit import (
    WindowLags,
    agreement,
    fine_rise,
    fit_constant,
    regress,
    sharpest_period,
    snap_tempo,
    window_lags,
)
from analyzers.rhythm.meter_evidence import RATIOS, SIZE, beat_phases, weigh
from analyzers.rhythm.pulse import OWN, find_pulse
from analyzers.rhythm.pulse_map import pulse_number, pulse_time
from analyzers.rhythm.tempo_steps import Change, curve, one_change
from analyzers.signal.onsets import BANDS, Onsets
from tests.analyzers.grid_kit import HAT, KICK, RATE, SNARE, even, onsets_of, pattern, place, tone


def coarse(onsets: Onsets) -> list[tuple[float, float]]:
    return coarse_periods(onsets.centred, onsets.rate)


@pytest.mark.parametrize("bpm", [61.0, 88.37, 123.456, 171.0])
def test_the_fitted_period_is_a_multiple_of_the_true_one(bpm: float) -> None:
    onsets = onsets_of(place(45.0, pattern(even(bpm, 0.4, 45.0))))
    near_s, score = coarse(onsets)[0]
    period, lags = fit_constant(onsets, fine_rise(onsets), near_s)

    ratio = min(RATIOS, key=lambda r: abs(np.log(period / r / (60.0 / bpm))))
    assert period / ratio == pytest.approx(60.0 / bpm, rel=2e-5)  # under 1 ms at the end
    assert score > 0.1
    assert lags.coherence > 0.5


def lags_of(time_s: np.ndarray, lag_s: np.ndarray, weight: np.ndarray | None = None) -> WindowLags:
    even_share = np.full(len(time_s), 1 / len(time_s))
    trust = np.ones(len(time_s)) if weight is None else weight
    return WindowLags(time_s, lag_s, trust, trust, even_share)


def test_lags_on_a_line_have_its_slope() -> None:
    t = np.arange(5.0, 200.0, 5.0)
    assert regress(lags_of(t, 0.002 - 3e-5 * t)) == pytest.approx(-3e-5, rel=1e-6)


def test_windows_that_stand_apart_do_not_turn_the_line() -> None:
    """A fill or a stop shifts some windows. Reference: scipy's robust fit with Huber's loss."""
    t = np.arange(5.0, 200.0, 5.0)
    y = 4e-5 * t + np.random.default_rng(2).normal(0, 2e-4, len(t))
    y[-5:] -= 0.025
    robust = least_squares(lambda p: p[0] + p[1] * t - y, [0.0, 0.0], loss="huber", f_scale=2e-4).x[1]
    plain = np.polyfit(t, y, 1)[0]
    assert robust == pytest.approx(4e-5, abs=1e-5)
    assert plain < 0  # what the outliers make of it
    assert regress(lags_of(t, y)) == pytest.approx(robust, abs=1e-5)


def test_a_window_counts_as_far_as_it_is_like_the_song() -> None:
    t = np.arange(5.0, 100.0, 5.0)
    y, weight = 5e-5 * t, np.ones(len(t))
    y[::3] = 0.02
    weight[::3] = 0.0
    assert regress(lags_of(t, y, weight)) == pytest.approx(5e-5, rel=1e-6)
    assert regress(lags_of(t, y, np.zeros(len(t)))) == 0.0
    assert regress(lags_of(t[:2], y[:2])) == 0.0


@pytest.mark.parametrize("off", [-2e-5, 2e-5])
def test_lags_are_late_where_the_period_is_short(off: float) -> None:
    """120 BPM for two minutes, folded on a period that is off: lag grows by -off each second."""
    onsets = onsets_of(place(120.0, pattern(even(120.0, 0.4, 120.0))))
    lags = window_lags(fine_rise(onsets), onsets.fine_rate, 0.5 * (1 + off))
    assert regress(lags) == pytest.approx(-off, rel=0.1)
    assert lags.spread_s == pytest.approx(abs(off) * 120 / 12**0.5, rel=0.2)  # of an even spread


def test_the_sharpest_period_does_not_stay_where_it_starts() -> None:
    onsets = onsets_of(place(120.0, pattern(even(120.0, 0.4, 120.0))))
    found = sharpest_period(fine_rise(onsets), onsets.fine_rate, 0.5 * (1 + 5e-5))  # 6 ms off at the end
    assert found == pytest.approx(0.5, rel=2e-6)


def test_noise_has_no_pulse() -> None:
    onsets = onsets_of(0.1 * np.random.default_rng(1).standard_normal(30 * RATE))
    (_, score), *_ = coarse(onsets)

    assert score < 0.03


def test_too_short_has_no_period() -> None:
    assert coarse(onsets_of(place(1.0, [(0.2, KICK, 1.0)]))) == []


@pytest.mark.parametrize(
    ("bpm", "seconds", "coherence", "agreed", "expected"),
    [
        (119.9998, 200.0, 0.8, 1.0, 120.0),  # 0.3 ms at the end: the round tempo explains as much
        (119.98, 200.0, 0.8, 1.0, 119.98),  # 33 ms: it does not, but two decimals do
        (97.3217, 200.0, 0.8, 1.0, 97.3217),  # 97.32 would be 3.5 ms off
        (57.9939, 57.0, 0.53, 0.98, 58.0),  # loosely played: nobody sets a session to the other
        (117.0219, 60.0, 0.50, 0.88, 117.02),  # 11 ms, and the attacks agree less
        (106.02, 60.0, 0.25, 0.98, 106.0),  # loosely played: 11 ms are within what the fit leaves open
        (121.953, 53.0, 0.38, 0.98, 122.0),  # so are 20 ms, as the attacks agree ...
        (129.951, 50.0, 0.33, 0.88, 129.95),  # ... and here they do not
        (114.449, 46.0, 0.30, 0.98, 114.5),
        (114.449, 46.0, 0.30, 0.91, 114.45),  # half a number is less likely than a whole one
    ],
)
def test_snapping_only_where_the_data_allow_it(
    bpm: float, seconds: float, coherence: float, agreed: float, expected: float
) -> None:
    found = snap_tempo(bpm, seconds, coherence, lambda factor: agreed if abs(factor - 1) > 1e-6 else 1.0)
    assert found == pytest.approx(expected, abs=1e-6)


def test_a_tempo_agrees_with_the_attacks_as_far_as_they_bear_it_out() -> None:
    seconds, rng = 60.0, np.random.default_rng(4)
    beats = [(t + rng.normal(0, 0.006), sound, 1.0) for t, sound, _ in pattern(even(120.0, 0.4, seconds))]
    onsets = onsets_of(place(seconds, beats))
    agrees = agreement(fine_rise(onsets), onsets.fine_rate, 0.5)

    assert agrees(1.0) > 0.98
    assert agrees(120 / 119.99) > 0.95  # 5 ms at the end
    assert agrees(120 / 119.96) < agrees(120 / 119.98) < 0.95  # 20 ms; 10 ms
    assert agrees(120 / 120.04) < 0.9
    assert agrees(120 / 119.8) == 0.0  # 100 ms

    long = agreement(fine_rise(onsets), onsets.fine_rate, 0.5 * (1 + 2e-4))  # 12 ms late at the end
    assert long(1 / (1 + 2e-4)) > 0.98
    assert long(1.0) < 0.95


@pytest.mark.parametrize("tightness", [LOOSELY, TIGHTLY])
def test_the_map_follows_a_wandering_tempo(tightness: float) -> None:
    rng = np.random.default_rng(3)
    beats = 0.4 + np.concatenate([[0.0], np.cumsum(0.55 * (1 + 0.02 * np.sin(np.arange(80) / 9)))])
    beats[1:] += rng.normal(0, 0.001, 80)
    onsets = onsets_of(place(beats[-1] + 0.5, pattern(beats)))
    strength, rise = onsets.centred, fine_rise(onsets)
    tempi = tempogram(strength, onsets.rate, coarse(onsets)[0][0])
    periods, *_ = local_periods(tempi)
    pulses = follow(onsets, attack_curve(strength), rise, (tempi.times_s, periods), tightness)
    u = pulse_number(beats, pulses)
    phase = np.median(u * 2 - np.floor(u * 2))
    off = (u * 2 - phase - np.round(u * 2 - phase)) / 2 * np.median(np.diff(pulses))

    assert np.median(np.abs(off)) < 0.004


def test_each_window_has_its_own_autocorrelation() -> None:
    """Against its definition, for more windows than go at once."""
    curves = np.random.default_rng(4).standard_normal((3, 400))
    acf = autocorrelations(windows_of(curves, 60, 20), 50)
    assert len(acf) == 18
    for at in (0, 7, 8, 17):
        part = curves[:, at * 20 : at * 20 + 60]
        sums = np.array([(part[:, : 60 - lag] * part[:, lag:]).sum() for lag in range(50)])
        np.testing.assert_allclose(acf[at], sums / sums[0], atol=1e-12)


def test_the_comb_reads_between_lags_and_zeros_beyond_the_last() -> None:
    """Against `numpy.interp` and `numpy.convolve`."""
    acf = np.random.default_rng(2).standard_normal((2, 40))
    periods = np.array([1.0, 3.3, 9.75, 20.4, 31.0])
    for row, found in zip(acf, comb_scores(acf, 2.0, periods, (0.5, 1.0)), strict=True):
        smooth = np.convolve(np.pad(row, (0, 30)), [0.25, 0.5, 0.25], mode="same")
        read = [np.interp(periods * 2.0 * m, np.arange(len(smooth)), smooth) for m in (0.5, 1.0)]
        np.testing.assert_allclose(found, np.mean(read, axis=0), atol=1e-12)


def change_of(beats: np.ndarray) -> Change | None:
    onsets = onsets_of(place(beats[-1] + 0.5, pattern(beats)))
    tempi = tempogram(onsets.centred, onsets.rate, coarse(onsets)[0][0])
    return one_change(onsets, fine_rise(onsets), tempi)


def test_two_tempi_meet_at_the_change() -> None:
    found = change_of(np.concatenate([0.4 + 0.6 * np.arange(40), 0.4 + 0.6 * 40 + 0.54 * np.arange(44)]))
    assert found is not None

    assert found.knee in (39, 40, 41)
    assert np.diff(found.pulses_s)[[0, -1]] == pytest.approx([0.6, 0.54], rel=1e-4)


@pytest.mark.parametrize("ratio", [0.75, 0.9, 0.97, 1.05, 4 / 3])
@pytest.mark.parametrize("change", [24, 56])
def test_one_change_is_found_where_it_is(ratio: float, change: int) -> None:
    """By thirds (at 3/4 and 4/3 every third pulse of one tempo lies on one of the other), and by little."""
    after = 0.4 + 0.6 * change + 0.6 * ratio * np.arange(80 - change)
    beats = np.concatenate([0.4 + 0.6 * np.arange(change), after])
    found = change_of(beats)
    assert found is not None
    first, last = np.diff(found.pulses_s)[[0, -1]]

    assert last / first == pytest.approx(ratio, rel=5e-4)
    assert found.pulses_s[found.knee] == pytest.approx(after[0], abs=max(first, last))
    count = pulse_number(beats, found.pulses_s)  # as many in a beat before the change, behind and across it
    assert count - count[0] == pytest.approx((count[1] - count[0]) * np.arange(80), abs=0.1)
    by_thirds = abs(np.log(ratio)) > 0.2  # a side then coheres nearly as well on the other's tempo
    assert found.own > (0.0 if by_thirds else OWN)


def test_even_pulses_have_no_change() -> None:
    assert change_of(even(100.0, 0.0, 60.0)) is None


def test_a_tempo_that_wanders_does_not_change_at_one_place() -> None:
    gaps = 0.55 * (1 + 0.03 * np.sin(np.arange(120) / 12))
    beats = 0.4 + np.concatenate([[0.0], np.cumsum(gaps)])
    pulse = find_pulse(onsets_of(place(beats[-1] + 0.5, pattern(beats))))
    assert pulse is not None

    assert pulse.knee is None


def test_curve_merges_even_bars_and_keeps_changes() -> None:
    lines = np.concatenate([2.0 * np.arange(10), 18.0 + 1.6 * np.arange(1, 8)])

    assert curve(lines, 4) == ((0.0, 120.0), (18.0, 150.0))


def test_pulse_numbers_and_times_are_inverse_also_outside() -> None:
    pulses = np.array([0.5, 1.0, 1.6, 2.1])
    u = np.array([-3.0, -0.5, 0.0, 1.25, 3.0, 7.5])

    assert pulse_number(pulse_time(u, pulses), pulses) == pytest.approx(u)


def test_attacks_are_found_to_the_millisecond() -> None:
    beats = even(110.0, 0.5, 30.0)
    onsets = onsets_of(place(30.0, pattern(beats)))
    offset, sharpness = onset_offset(onsets, beats - 0.0071, np.ones(len(beats)))

    assert offset == pytest.approx(0.0071, abs=0.001)
    assert sharpness > 0.6


def with_fine_curve(level_db: np.ndarray, rate: float) -> Onsets:
    """Onsets of which only the fine level curves matter."""
    none = np.zeros((BANDS, 1), np.float32)
    return Onsets(100.0, none, none, rate, level_db, level_db, 10.0, np.zeros((24, 1), np.float32))


@pytest.mark.parametrize("blocks", [1, 2, 4])
def test_an_attack_begins_half_way_up_its_rise(blocks: int) -> None:
    """Level that climbs by 40 dB evenly over some blocks, each its level at its middle: codecs smear."""
    rate, beats = 1000.0, np.arange(1.0, 9.0)
    level = np.zeros(10_000, np.float32)
    for beat in beats:
        a = int(beat * rate) + 3
        level[a : a + blocks + 1] = 40.0 * np.arange(blocks + 1) / blocks
        level[a + blocks : a + 200] = 40.0
    offset, sharpness = onset_offset(with_fine_curve(level, rate), beats, np.ones(len(beats)))
    assert offset == pytest.approx((3.5 + blocks / 2) / rate, abs=0.00015)
    assert sharpness == 1.0


def test_late_snares_are_outvoted() -> None:
    """Six kicks in ten on the beat, four strokes 9 ms late: the beat is where the kicks are."""
    beats = even(100.0, 0.5, 40.0)
    late = np.where(np.arange(len(beats)) % 5 < 2, 0.009, 0.0)
    onsets = onsets_of(place(40.5, [(t + d, KICK, 1.0) for t, d in zip(beats, late, strict=True)]))
    offset, sharpness = onset_offset(onsets, beats, np.ones(len(beats)))
    assert offset == pytest.approx(0.0, abs=0.001)
    assert sharpness == pytest.approx(0.6, abs=0.05)


def test_a_soft_hat_out_of_silence_is_not_the_beat_s_attack_where_a_kick_follows() -> None:
    beats = even(100.0, 0.5, 40.0)
    hats = [(t - 0.006, HAT, 0.04) for t in beats]
    onsets = onsets_of(place(40.5, [(t, KICK, 1.0) for t in beats] + hats))
    weight, on_beat = np.ones(len(beats)), np.ones(len(beats), bool)
    assert onset_offset(onsets, beats, weight)[0] == pytest.approx(0.0, abs=0.0015)
    assert loose_offset(onsets, beats, weight, on_beat) == pytest.approx(0.0, abs=0.0015)
    assert loose_offset(onsets, beats, weight, on_beat, soft=True) == pytest.approx(-0.006, abs=0.0015)


@pytest.mark.parametrize(("early_s", "spread_s", "expected_s"), [
    (0.009, 0.0, 0.0), (0.013, 0.0005, 0.0), (0.004, 0.0, -0.004), (0.009, 0.008, -0.009),
])  # fmt: skip
def test_hats_ahead_of_all_kicks_do_not_take_the_beats_along(
    early_s: float, spread_s: float, expected_s: float
) -> None:
    """Loud hats on all eighths, kicks on half of the beats: the kick is the grid's where it keeps to one.

    Less than 6 ms apart is one stroke of two layers; loosely played kicks say nothing (common practice).
    """
    rng = np.random.default_rng(1)
    places = even(200.0, 0.5, 40.0)
    hats = [(t - early_s, HAT, 0.6) for t in places]
    kicks = [(t + spread_s * rng.standard_normal(), KICK, 1.5) for t in places[::4]]
    onsets = onsets_of(place(40.5, hats + kicks))
    offset, _ = onset_offset(onsets, places, np.ones(len(places)))
    assert offset == pytest.approx(expected_s, abs=0.002)


def test_where_attacks_are_loose_late_snares_are_one_voice_of_four() -> None:
    """Basses up to 20 ms around every place, snares 10 ms late on all beats, hats in time between them."""
    rng = np.random.default_rng(4)
    beats = even(100.0, 0.5, 40.0)
    places = even(200.0, 0.5, 40.0)
    on_beat = np.arange(len(places)) % 2 == 0
    basses = [(t + rng.uniform(-0.02, 0.02), tone(55.0, 0.2), 2.0) for t in places]
    snares = [(t + 0.010, SNARE, 0.5) for t in beats]
    hats = [(t + 0.3, HAT, 0.5) for t in beats]
    onsets = onsets_of(place(41.0, basses + snares + hats))
    weight = np.where(on_beat, 3.0, 1.0)

    assert onset_offset(onsets, places, weight)[0] > 0.009
    assert onset_offset(onsets, places[on_beat], weight[on_beat])[0] > 0.009
    assert loose_offset(onsets, places, weight, on_beat) == pytest.approx(0.0, abs=0.002)


def test_beats_of_no_weight_have_no_say() -> None:
    beats = even(100.0, 0.5, 40.0)
    late = np.where(np.arange(len(beats)) % 5 < 3, 0.009, 0.0)
    onsets = onsets_of(place(40.5, [(t + d, KICK, 1.0) for t, d in zip(beats, late, strict=True)]))
    assert onset_offset(onsets, beats, (late == 0.0).astype(float))[0] == pytest.approx(0.0, abs=0.001)
    assert onset_offset(onsets, beats, np.ones(len(beats)))[0] == pytest.approx(0.009, abs=0.001)


def test_no_attacks_no_offset() -> None:
    onsets = onsets_of(np.zeros(5 * RATE))

    assert onset_offset(onsets, np.arange(1.0, 4.0), np.ones(3)) == (0.0, 0.0)


def test_beat_phases_hold_the_beat() -> None:
    beats = even(120.0, 0.3, 30.0)
    onsets = onsets_of(place(30.0, [(t, KICK, 1.0) for t in beats] + [(t + 0.25, HAT, 0.7) for t in beats]))
    u = np.arange(onsets.strength.shape[1]) / onsets.rate / 0.5

    phases = beat_phases(onsets.strength, u, 1.0)
    assert min(abs((p - 0.6 + 0.5) % 1.0 - 0.5) for p in phases) < 0.03


@pytest.mark.parametrize("bpm", [105.0, 140.0])
def test_a_loop_cut_on_its_beats_has_all_of_them(bpm: float) -> None:
    """The first attack is on the first sample, the last beat ends with the last one."""
    seconds = 8 * 60.0 / bpm
    onsets = onsets_of(place(seconds, pattern(60.0 / bpm * np.arange(9))))
    u = np.arange(onsets.strength.shape[1]) / onsets.rate * bpm / 60.0

    assert min(abs(p) for p in beat_phases(onsets.strength, u, 1.0)) < 0.03
    h = weigh(onsets, 60.0 / bpm * np.arange(10), 0.0, (bpm - 1.0, bpm + 1.0))
    assert np.abs(h.offset).min() < 0.03
    assert not len(weigh(onsets, 60.0 / bpm * np.arange(10), 0.0, (bpm - 1.0, bpm + 1.0), least=9).ratio)
    few = onsets.part(0.0, 7.5 * 60.0 / bpm)
    assert not len(weigh(few, 60.0 / bpm * np.arange(9), 0.0, (bpm - 1.0, bpm + 1.0)).ratio)


def test_evidence_has_one_row_a_hypothesis_and_respects_the_range() -> None:
    onsets = onsets_of(place(30.0, pattern(even(120.0, 0.3, 30.0))))
    h = weigh(onsets, 0.5 * np.arange(60), 0.3, (100.0, 200.0))

    assert h.evidence.shape == (len(h.ratio), SIZE)
    assert np.isfinite(h.evidence).all()
    assert ((120.0 / h.ratio >= 100.0) & (120.0 / h.ratio <= 200.0)).all()


def test_onset_curves_see_the_first_sample_and_nothing_in_silence() -> None:
    onsets = onsets_of(place(2.0, [(0.0, KICK, 1.0)]))
    silent = onsets_of(np.zeros(RATE))

    assert onsets.strength.shape[0] == BANDS
    assert int(np.argmax(onsets.strength[0])) <= 2
    assert silent.strength.max() == 0.0
