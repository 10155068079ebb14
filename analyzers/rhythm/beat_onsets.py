"""Where in time the beats' attacks begin, to a fraction of a millisecond.

Around each nominal beat the steepest rise of the 0.7 ms level curves is found, the louder one rather than the
one out of silence, and followed back to where it leaves the level before it; the densest point of all these
instants is the beat's true place. Late snares and soft notes are outvoted, because hats, kicks and keys of
one beat begin together on the grid. Where the loud strokes all lie after what is struck most often, hats that
are early, they are the grid's (common practice).

Source: the transient-onset back-tracking of Bello et al. (IEEE TSAP 13(5), 2005), the mode by a kernel
density (Parzen 1962).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
REACH_S = 0.024
STEP = 4  # blocks over which a rise is taken
FOOT = 0.5  # share of the rise that counts as its beginning: codecs smear energy ahead of it
KERNELS_S = (0.001, 0.004)  # sequenced attacks, played ones
SHARP = 0.40  # share of attacks within 3 ms above which the fine kernel is trusted
SOFT = 0.20  # below it there are no attacks to speak of: what is louder is only later then
PRIOR_S = 0.012  # how far the coarse phase is usually off
WEAKEST_DB = 5.0
LOUD_S, LOUDEST = 0.012, 95.0  # an attack is as loud as it gets within so much; the loud ones: percentile
# It counts by the root of that, of the loud ones; as the one of its beat by the fourth root, of the loudest
AMONG_DB, ON_BEAT_DB = 40.0, 80.0
STROKE_DB, FEWEST_STROKES = 6.0, 24  # a stroke is one of the loud ones within so much; as few tell
STROKE_RISE_S = 0.004  # it gets there by a leap
# Beats of a moving map follow the attacks of so many beats around them, so far at most; farther ones stray
NEAR_BEATS, FEWEST_NEAR, ROUNDS = 2, 6, 3
LOCAL_S, STRAY_S, SPREAD_S = 0.015, 0.022, 0.006
# Where nearly all of them are so close together, so much after the other attacks, they are the grid's
AT_ONE_S, AGREED, AFTER_S = 0.002, 0.8, (0.006, 0.016)


def onset_offset(onsets: Onsets, beats_s: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Offset (s) to add to nominal beat times so that they fall on the attacks, and its sharpness.

    Parameters
    ----------
    beats_s : nominal beat times [shape=(n,)]
    weight : how much each beat counts [shape=(n,)]

    Returns
    -------
    offset in +-`REACH_S` ; share of the attacks' weight within 3 ms of it, in [0, 1] (0, 0 without attacks)
    """
    t, w = _onsets(onsets, beats_s, weight)
    if w.sum() <= 0.0:
        return 0.0, 0.0
    for kernel in KERNELS_S:
        offset = _densest(t.ravel(), w.ravel(), kernel)
        sharpness = float(w[np.abs(t - offset) < 0.003].sum() / w.sum())
        if sharpness > SHARP:
            break
    strokes = _strokes(onsets, beats_s)
    if strokes is not None and AFTER_S[0] <= strokes - offset <= AFTER_S[1]:
        return strokes, sharpness
    return offset, sharpness


def places_in(beats_s: FloatArray, parts: int) -> FloatArray:
    """The beats, and the places that cut each of them in so many parts [shape=((n - 1) * parts + 1,)]."""
    count = np.arange((len(beats_s) - 1) * parts + 1)
    out: FloatArray = np.interp(count / parts, np.arange(len(beats_s)), beats_s)
    return out


def local_offsets(onsets: Onsets, beats_s: FloatArray, parts: int) -> FloatArray:
    """How far the attacks around each beat lie after the beats (s), within `LOCAL_S` [shape=(n,)].

    Attacks on the beats and on `parts` of each, near each beat: a straight line through them, fitted with
    tricube weights and Tukey's biweight (locally weighted regression: Cleveland, JASA 74, 1979). 0.0 where
    fewer than `FEWEST_NEAR` are.
    """
    places = places_in(beats_s, parts)
    count = np.arange(len(places)) / parts
    t, w = _onsets(onsets, places, np.ones(len(places)))
    w[np.abs(t) > STRAY_S] = 0.0
    out = np.zeros(len(beats_s))
    for k in range(len(beats_s)):
        near = slice(max((k - NEAR_BEATS) * parts, 0), (k + NEAR_BEATS) * parts + 1)
        x, y = np.tile(count[near] - k, 2), t[:, near].ravel()
        weight = w[:, near].ravel() * (1.0 - np.abs(x / (NEAR_BEATS + 1)) ** 3) ** 3
        if np.count_nonzero(weight) < FEWEST_NEAR:
            continue
        robust = weight
        for _ in range(ROUNDS):
            total = max(float(robust.sum()), 1e-12)
            mean, place = float(robust @ x) / total, float(robust @ y) / total
            spread = float(robust @ (x - mean) ** 2) / total + 1.0  # a slope is told by attacks around
            slope = float(robust @ ((x - mean) * (y - place))) / total / spread
            at = place - slope * mean
            robust = weight * np.clip(1.0 - ((y - at - slope * x) / SPREAD_S) ** 2, 0.0, None) ** 2
        out[k] = np.clip(at, -LOCAL_S, LOCAL_S)
    return out


def loose_offset(
    onsets: Onsets,
    places_s: FloatArray,
    weight: FloatArray,
    on_beat: npt.NDArray[np.bool_],
    *,
    soft: bool = False,
) -> float:
    """`onset_offset` where the attacks are spread too widely for one of them to be trusted.

    soft : take the steepest rise at each place, not the louder one

    What sounds on the beats and what sounds between them, loud or high, then have one voice each: a late
    snare or a slow bass that is alone in one of the four does not outvote the rest.
    """
    t, w = _onsets(onsets, places_s, weight, soft=soft)
    for places in (on_beat, ~on_beat):
        w[:, places] /= np.maximum(w[:, places].sum(axis=1, keepdims=True), 1e-9)
    return _densest(t.ravel(), w.ravel(), KERNELS_S[-1])


def _onsets(
    onsets: Onsets, beats_s: FloatArray, weight: FloatArray, *, soft: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Attack nearest each beat in the two level curves: (s from the beat, weight) [shape=(2, n)]."""
    found = [
        _feet(curve, onsets.fine_rate, beats_s, soft=soft) for curve in (onsets.fine_full, onsets.fine_high)
    ]
    heights = np.stack([np.clip(height - WEAKEST_DB, 0.0, 20.0) * loud for _, height, loud in found])
    return np.stack([t for t, _, _ in found]), heights * weight


def _densest(t: FloatArray, w: FloatArray, kernel: float, prior_s: float = PRIOR_S) -> float:
    grid = np.arange(-REACH_S, REACH_S, 0.0001 if kernel < 0.002 else 0.0004)
    density = np.exp(-0.5 * ((grid[:, None] - t[None, :]) / kernel) ** 2) @ w
    return float(grid[np.argmax(density * np.exp(-0.5 * (grid / prior_s) ** 2))])


def _levels(curve: FloatArray, rate: float, beats_s: FloatArray, before: int, after: int) -> FloatArray:
    """Level from so many blocks before each beat to so many after it [shape=(n, before + after + 1)]."""
    index = np.round(beats_s * rate).astype(int)[:, None] + np.arange(-before, after + 1)
    level = curve[np.clip(index, 0, len(curve) - 1)].astype(float)
    level[(index < 0) | (index >= len(curve))] = 0.0  # the signal is silent before its first sample
    return level


def _feet(
    curve: FloatArray, rate: float, beats_s: FloatArray, *, soft: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Beginning of the rise near each beat (s from the beat), its height (dB), its share of a loud one's."""
    reach, loud = int(REACH_S * rate), int(LOUD_S * rate)
    level = _levels(curve, rate, beats_s, reach + STEP, reach + STEP + loud)
    near = level[:, : 2 * reach + 2 * STEP + 1]
    rise = near[:, STEP:] - near[:, :-STEP]
    rows = np.arange(len(level))
    most = near.max(axis=1, keepdims=True)
    louder = 1.0 if soft else 10 ** ((near[:, STEP:] - most) / ON_BEAT_DB)
    peak = np.argmax(np.clip(rise, 0.0, 20.0) * louder, axis=1)
    height = rise[rows, peak]
    climb = level[rows[:, None], peak[:, None] + np.arange(STEP + 1)] - level[rows, peak][:, None]
    target = FOOT * height[:, None]
    k = np.maximum(np.argmax(climb >= np.maximum(target, 1e-6), axis=1), 1)
    low, high = climb[rows, k - 1], climb[rows, k]
    part = np.clip((target[:, 0] - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    block = peak + k - 1 + part - STEP - reach + np.round(beats_s * rate)
    reached = level[rows[:, None], peak[:, None] + np.arange(STEP + loud)].max(axis=1)
    of_loud = 10 ** (np.minimum(reached - np.percentile(reached, LOUDEST), 0.0) / AMONG_DB)
    return (block + 0.5) / rate - beats_s, height, of_loud  # a block's level: its middle's


def _strokes(onsets: Onsets, beats_s: FloatArray) -> float | None:
    """Where the loud strokes begin (s from the beats), if nearly all do at one place and at once."""
    rate, curve = onsets.fine_rate, onsets.fine_full
    reach, step = int(REACH_S * rate), round(STROKE_RISE_S * rate)
    level = _levels(curve, rate, beats_s, reach + step, reach + int(LOUD_S * rate))
    most = level.max(axis=1, keepdims=True)
    loud = most[:, 0] >= np.percentile(most, 90) - STROKE_DB
    there = np.argmax(level[:, step:] >= most - STROKE_DB, axis=1)
    rows = np.arange(len(level))
    leap = level[rows, there + step] - level[rows[:, None], there[:, None] + np.arange(step - 2)].min(axis=1)
    struck = loud & (leap >= STROKE_DB) & (there > 0) & (there < 2 * reach)
    if struck.sum() < FEWEST_STROKES:
        return None
    block = np.round(beats_s[struck] * rate) + there[struck] - reach
    t = (block + 0.5) / rate - beats_s[struck] - 0.001  # less the rise itself
    place = _densest(t, np.ones(len(t)), KERNELS_S[0], prior_s=np.inf)
    return place if np.mean(np.abs(t - place) < AT_ONE_S) >= AGREED else None
