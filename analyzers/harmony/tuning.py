"""Tuning: how far the music lies from A4 = 440 Hz, in cents.

Every partial says where it lies between two notes of equal temperament; drum hits and gliding
basses say it at random, held notes all say the same. So only partials that the frames around them
confirm count. The answer is the middle of the densest cluster of their circular histogram: not the
mean of all (the natural seventh and fifth partials, 31 and 14 cents flat, would pull it) and not the
highest point (of two voices detuned against each other that would be one voice).

The range is one semitone: an offset beyond half a semitone is the neighbouring key, in tune.
Source: ISO 16:1975 (A4 = 440 Hz); cents = 1200 * log2(f / 440).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from analyzers.model import Tuning
from analyzers.signal.features import Features
from analyzers.signal.spectrum import A4_HZ, Partials, midi_note

BAND_HZ = (100.0, 1600.0)  # below, a cent is too small to see; above, strings are stretched
APART_FRAMES = 4  # two windows that share no sample
SAME_PARTIAL_CENTS = 12.0
CLUSTER_CENTS = 12.0  # width in which a cluster is looked for: unison detune spreads about as far
KERNEL_CENTS = (4.0, 15.0)  # narrowest and widest weighting around its middle
LEAST_PARTIALS = 60
LEAST_CONCENTRATION = 1.6  # height of the cluster over the mean; drums alone reach about 1.5
APART_CENTS, SURE_OF_PART = 10.0, 0.97  # between thirds that are so sure; of one tuning: 6 at most
MOVING_CONFIDENCE = 0.5  # at most, of one offset for a file whose thirds disagree
USUAL_PARTIALS = 500.0  # number from which a count is measured in the fit below
# Logistic fit (tests/training/tuning_fit.py): log odds for each unit of log concentration and of log count,
# constant; short excerpts, tapes with wow and few partials among the pieces
CONFIDENCE_FIT = (6.0, 0.65, -2.65)


def find_tuning(f: Features) -> Tuning:
    """Offset of the held notes from A4 = 440 Hz; ``cents`` is None when nothing is held long enough.

    Where thirds of the file disagree (layers at two pitches, a tape that drifts) no one offset is sure.
    """
    cents, weights, frame = steady_offsets(f.spectrum.treble)
    if len(cents) < LEAST_PARTIALS:
        return Tuning(None, None, 0.0, "no long steady tones to measure the tuning on")
    offset, confidence, concentration = measured(cents, weights)
    if concentration < LEAST_CONCENTRATION:
        return Tuning(None, None, round(confidence, 4), "the steady tones agree on no common tuning")
    third = frame * 3 // max(f.spectrum.frames, 1)
    thirds = tuple(_sure_offset(cents[third == k], weights[third == k]) for k in range(3))
    known = [at for at in thirds if at is not None]
    moves = any(abs((a - b + 50) % 100 - 50) > APART_CENTS for a in known for b in known)
    a4_hz = A4_HZ * 2.0 ** (offset / 100 / 12)
    sure = min(confidence, MOVING_CONFIDENCE) if moves else confidence
    course = thirds if moves else ()
    return Tuning(round(offset, 2), round(a4_hz, 3), round(sure, 4), thirds_cents=course)


def measured(cents: npt.NDArray[np.float64], weights: npt.NDArray[np.float64]) -> tuple[float, float, float]:
    """Offset, confidence, and how far the densest cluster stands out."""
    density = _circular_density(cents, weights)
    peak = int(np.argmax(density))
    concentration = float(density[peak] / density.mean())
    return _middle(cents, weights, float(peak - 50)), _confidence(concentration, len(cents)), concentration


def _sure_offset(cents: npt.NDArray[np.float64], weights: npt.NDArray[np.float64]) -> float | None:
    """The offset of a part of the file, where it is sure."""
    if len(cents) < LEAST_PARTIALS:
        return None
    offset, confidence, _ = measured(cents, weights)
    return round(offset, 1) if confidence >= SURE_OF_PART else None


def steady_offsets(
    partials: Partials,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Offset in cents, in [-50, 50), weight and frame of each partial that sounds on for four frames."""
    keep = (partials.hz >= BAND_HZ[0]) & (partials.hz <= BAND_HZ[1])
    frame = partials.frame[keep].astype(np.int64)
    pitch = 100 * midi_note(partials.hz[keep].astype(np.float64))
    steady = _lasts(frame, pitch, APART_FRAMES) | _lasts(frame, pitch, -APART_FRAMES)
    weight = np.sqrt(partials.magnitude[keep][steady].astype(np.float64))
    return (pitch[steady] + 50) % 100 - 50, weight, frame[steady]


def _lasts(frame: npt.NDArray[np.int64], pitch: npt.NDArray[np.float64], apart: int) -> npt.NDArray[np.bool_]:
    """Which partials have one at the same pitch ``apart`` frames later."""
    if len(frame) == 0:
        return np.zeros(0, dtype=bool)
    span = 20_000.0  # cents; wider than any band, so that frames do not mix in one sorted line
    line = frame * span + pitch
    order = np.sort(line)
    want = line + apart * span
    after = np.clip(np.searchsorted(order, want), 1, len(order) - 1) if len(order) > 1 else np.zeros(1, int)
    gap = np.minimum(np.abs(order[after] - want), np.abs(order[after - 1] - want))
    return np.asarray(gap <= SAME_PARTIAL_CENTS)


def _circular_density(
    cents: npt.NDArray[np.float64], weights: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Smoothed histogram over -50..49 cents [shape=(100,)]."""
    cell = np.rint(cents + 50).astype(int) % 100
    counts = np.bincount(cell, weights=weights, minlength=100)
    reach = np.arange(100)
    kernel = np.exp(-0.5 * (np.minimum(reach, 100 - reach) / CLUSTER_CENTS) ** 2)
    density: npt.NDArray[np.float64] = np.fft.irfft(np.fft.rfft(counts) * np.fft.rfft(kernel), 100)
    return np.maximum(density, 1e-12)


def _middle(cents: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], start: float) -> float:
    """Middle of the cluster around ``start`` by mean shift, the kernel as wide as the cluster needs."""
    at = _shift(cents, weights, start, CLUSTER_CENTS)
    distance = np.abs(_around(cents, at))
    near = np.flatnonzero(distance < 25)
    order = near[np.argsort(distance[near])]
    total = np.cumsum(weights[order])
    spread = distance[order[min(int(np.searchsorted(total, total[-1] / 2)), len(order) - 1)]]
    at = _shift(cents, weights, at, float(np.clip(1.5 * spread, *KERNEL_CENTS)))
    return 50.0 if at == 50.0 else (at + 50) % 100 - 50


def _around(cents: npt.NDArray[np.float64], at: float) -> npt.NDArray[np.float64]:
    """Signed distance from ``at`` on the circle of 100 cents."""
    distance = cents - at
    distance -= 100 * np.rint(distance / 100)
    return distance


def _shift(
    cents: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], start: float, width: float
) -> float:
    at = start
    for _ in range(15):
        distance = _around(cents, at)
        near = weights * np.exp(-0.5 * (distance / width) ** 2)
        at += float(np.dot(near, distance) / max(float(near.sum()), 1e-12))
    return at


def _confidence(concentration: float, count: int) -> float:
    """Probability that the offset is within 6 cents (`CONFIDENCE_FIT`)."""
    per_concentration, per_count, offset = CONFIDENCE_FIT
    log_count = np.log(count / USUAL_PARTIALS)
    return float(expit(per_concentration * np.log(concentration) + per_count * log_count + offset))
