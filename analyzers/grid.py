"""The session grid of a track: tempo, beats, bar one, meter, drift, each with its proof.

Convention: seconds from the signal's first sample; beat k of a constant grid is ``bar_one + k * period``,
never accumulated. `analyzers.tempo` finds the pulse, `analyzers.tempo_fit` its exact period,
`analyzers.meter` its reading as beats and bars.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.features import Features
from analyzers.meter import Reading, choose_reading
from analyzers.model import Grid, GridProof, LeadIn, TempoCandidate
from analyzers.onsets import Onsets
from analyzers.tempo import coarse_periods
from analyzers.tempo_fit import WindowLags, fine_rise, fit_constant, snap_tempo

FloatArray = npt.NDArray[np.floating]
MIN_PULSE = 0.04  # comb score below which nothing repeats


def find_grid(f: Features, lead_in: LeadIn) -> Grid:
    """Find the grid of a track.

    Returns a Grid; where the music has no steady beat `tempo_bpm` is None and `reason` says why.
    """
    if lead_in.first_sound_s is None:
        return no_grid("there is no sound in the file")
    onsets = f.onsets
    found = coarse_periods(onsets)
    if not found:
        return no_grid("the file is too short to hold a beat")
    coarse, score = found[0]
    if score < MIN_PULSE:
        return no_grid(f"no steady beat: attacks do not repeat (correlation {score:.2f})")
    period, lags = fit_constant(onsets, coarse)
    rise = fine_rise(onsets)
    anchor = beat_phase(rise, onsets.fine_rate, period)
    reading = choose_reading(onsets, period, anchor, f.options.tempo_range_bpm)
    bpm = snap_tempo(60.0 / reading.period_s, f.duration_s)
    return _assemble(f, lead_in, onsets, reading, bpm, rise, lags)


def no_grid(reason: str) -> Grid:
    """A grid that says that there is none."""
    return Grid(
        tempo_bpm=None,
        tempo_confidence=0.0,
        tempo_alternatives=(),
        constant_tempo=None,
        constant_confidence=0.0,
        meter=None,
        meter_confidence=0.0,
        beats_per_bar=None,
        bar_one_s=None,
        bar_one_confidence=0.0,
        pickup_beats=0.0,
        beats_s=(),
        downbeats=(),
        tempo_curve=(),
        proof=None,
        reason=reason,
    )


def beat_phase(rise: FloatArray, rate: float, period_s: float) -> float:
    """Time of the strongest attack position in one period (start of its rise), in [0, period)."""
    bins = max(int(round(period_s * rate)), 16)
    index = np.floor((np.arange(len(rise)) / rate / period_s % 1.0) * bins).astype(np.int64)
    fold = np.bincount(index, rise, bins)
    smooth = sum(np.roll(fold, k) for k in range(-2, 3))
    peak = int(np.argmax(smooth))
    near = np.take(fold, np.arange(peak - 6, peak + 7), mode="wrap")
    start = peak - 6 + int(np.argmax(near >= 0.5 * near.max()))
    return float(start % bins) / bins * period_s


def _assemble(
    f: Features,
    lead_in: LeadIn,
    onsets: Onsets,
    reading: Reading,
    bpm: float,
    rise: FloatArray,
    lags: WindowLags,
) -> Grid:
    period = 60.0 / bpm
    first = lead_in.first_sound_s or 0.0
    bar = period * reading.beats_per_bar
    middle = round((f.duration_s / 2 - reading.bar_line_s) / bar) * reading.beats_per_bar * reading.period_s
    line = (
        reading.bar_line_s + middle
    )  # the fit is best in the middle: carry the snapped period out from there
    bars_back = np.floor((line - first + 0.025) / bar)
    bar_one = float(line - bars_back * bar)
    if 0 <= first - bar_one < 0.025 and bar_one < 0:
        bar_one = max(bar_one, 0.0)
    k = np.arange(0, int((f.duration_s - bar_one) / period) + 1)
    beats = bar_one + k * period
    steady = lags.spread_s < 0.004
    pickup = max((bar_one - first) / period, 0.0) if bar_one - first > 0.025 else 0.0
    return Grid(
        tempo_bpm=round(bpm, 6),
        tempo_confidence=reading.tempo_probability,
        tempo_alternatives=tuple(TempoCandidate(round(b, 4), q) for b, q in reading.alternatives),
        constant_tempo=bool(steady),
        constant_confidence=0.9 if steady else 0.6,
        meter=reading.meter,
        meter_confidence=reading.meter_probability,
        beats_per_bar=reading.beats_per_bar,
        bar_one_s=bar_one,
        bar_one_confidence=reading.probability,
        pickup_beats=float(pickup),
        beats_s=tuple(float(b) for b in beats),
        downbeats=tuple(bool(b) for b in k % reading.beats_per_bar == 0),
        tempo_curve=((bar_one, round(bpm, 6)),),
        proof=_proof(rise, onsets.fine_rate, period, bar_one, lags),
    )


def _proof(
    rise: FloatArray, rate: float, period: float, bar_one: float, lags: WindowLags
) -> GridProof | None:
    """Distance of the clear attacks from the nearest sixteenth or triplet."""
    local = np.flatnonzero((rise[1:-1] > rise[:-2]) & (rise[1:-1] >= rise[2:]) & (rise[1:-1] > 12.0)) + 1
    if len(local) < 16:
        return None
    t = local / rate - bar_one
    off = np.minimum(*(np.abs(t / s - np.round(t / s)) * s for s in (period / 4, period / 3)))
    on = off[off < 0.015]
    if len(on) < 8:
        return None
    third = lags.time_s[-1] / 3
    weight = lags.weight + 1e-6
    early, late = lags.time_s <= third, lags.time_s >= 2 * third
    return GridProof(
        attacks=len(on),
        median_ms=float(np.median(on) * 1e3),
        p95_ms=float(np.percentile(on, 95) * 1e3),
        first_third_ms=float(np.average(lags.lag_s[early], weights=weight[early]) * 1e3),
        last_third_ms=float(np.average(lags.lag_s[late], weights=weight[late]) * 1e3),
    )
