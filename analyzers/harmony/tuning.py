"""Tuning: how far the music lies from A4 = 440 Hz, in cents.

Every partial says where it lies between two notes of equal temperament; drum hits and gliding
basses say it at random, held notes all say the same. So only partials that the frames around them
confirm count. The answer is the middle of the densest cluster of their circular histogram: not the
mean of all (the natural seventh and fifth partials, 31 and 14 cents flat, would pull it) and not the
highest point (of two voices detuned against each other that would be one voice).

Where a second cluster stands apart from the first and is no partial of it, two layers are out of tune with
each other, and no one offset is sure.

The range is one semitone: an offset beyond half a semitone is the neighbouring key, in tune.
Source: ISO 16:1975 (A4 = 440 Hz); cents = 1200 * log2(f / 440).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from analyzers.model import Tuning
from analyzers.signal.features import Features
from analyzers.signal.spectrum import A4_HZ, Partials, Spectrum, midi_note

BAND_HZ = (100.0, 1600.0)  # below, a cent is too small to see; above, strings are stretched
APART_FRAMES = 4  # two windows that share no sample
SAME_PARTIAL_CENTS, PARTIAL_OF_CENTS = 12.0, 20.0
FRAME_SPAN = 20_000.0  # cents; wider than any band, so that frames do not mix in one sorted line
CLUSTER_CENTS = 12.0  # width in which a cluster is looked for: unison detune spreads about as far
KERNEL_CENTS = (4.0, 15.0)  # narrowest and widest weighting around its middle
LEAST_PARTIALS = 60
LEAST_CONCENTRATION = 1.6  # height of the cluster over the mean; drums alone reach about 1.5
APART_CENTS, SURE_OF_PART = 10.0, 0.97  # between thirds that are so sure; of one tuning: 6 at most
MOVING_CONFIDENCE = 0.5  # at most, of one offset for a file whose thirds disagree
# A second layer: how far off, its height against the first, how far the density between falls below it
LAYER_CENTS, LAYER_SHARE, LAYER_DIP = 25, 0.3, 1.5
LAYER_KERNEL_CENTS = 7.0
ODD_PARTIALS = (7, 11, 13)  # lie 31, 49 and 41 cents off a note
SURE = 0.8  # from where it pays to look for a second layer
USUAL_PARTIALS = 500.0  # number from which a count is measured in the fit below
# Logistic fit (tests/training/tuning_fit.py): log odds for each unit of log concentration and of log count,
# constant; short excerpts, tapes with wow and few partials among the pieces
CONFIDENCE_FIT = (6.0, 0.65, -2.65)


def find_tuning(f: Features) -> Tuning:
    """Offset of the held notes from A4 = 440 Hz; ``cents`` is None when nothing is held long enough.

    Where thirds of the file disagree (a tape that drifts), or two layers do, no one offset is sure.
    """
    pitch, weights, frame = steady_partials(f.spectrum.treble)
    cents = (pitch + 50) % 100 - 50
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
    layer = None
    if confidence >= SURE and not moves:
        layer = _other_layer(f.spectrum, offset, pitch, weights, frame)
    sure = confidence if layer is None and not moves else min(confidence, MOVING_CONFIDENCE)
    course = thirds if moves else ()
    return Tuning(round(offset, 2), round(a4_hz, 3), round(sure, 4), thirds_cents=course, layer_cents=layer)


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


def steady_partials(
    partials: Partials,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Pitch in cents, weight and frame of each partial that sounds on for four frames."""
    keep = (partials.hz >= BAND_HZ[0]) & (partials.hz <= BAND_HZ[1])
    frame = partials.frame[keep].astype(np.int64)
    pitch = 100 * midi_note(partials.hz[keep].astype(np.float64))
    steady = _lasts(frame, pitch, APART_FRAMES) | _lasts(frame, pitch, -APART_FRAMES)
    weight = np.sqrt(partials.magnitude[keep][steady].astype(np.float64))
    return pitch[steady], weight, frame[steady]


def _other_layer(
    spectrum: Spectrum,
    offset: float,
    pitch: npt.NDArray[np.float64],
    weights: npt.NDArray[np.float64],
    frame: npt.NDArray[np.int64],
) -> float | None:
    """Offset of a second cluster of partials that stands apart, None without one."""
    distance = _around(pitch, offset)
    own = ~_odd_partials(spectrum, pitch, frame)
    density = _circular_density(distance[own], weights[own], LAYER_KERNEL_CENTS)
    peaks = (density >= np.roll(density, 1)) & (density >= np.roll(density, -1))
    peaks &= np.abs(np.arange(100) - 50) >= LAYER_CENTS
    top = int(np.argmax(density * peaks))
    between = density[min(top, 50) : max(top, 50) + 1].min()
    if density[top] * peaks[top] < LAYER_SHARE * density[50] or density[top] < LAYER_DIP * between:
        return None
    return round((offset + top) % 100 - 50, 1)


def _odd_partials(
    spectrum: Spectrum, pitch: npt.NDArray[np.float64], frame: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Which partials are the 7th, 11th or 13th of another one in their frame."""
    lines = []
    for partials in (spectrum.bass, spectrum.treble):
        low = partials.hz <= BAND_HZ[1] / min(ODD_PARTIALS)
        lines.append(partials.frame[low] * FRAME_SPAN + 100 * midi_note(partials.hz[low].astype(np.float64)))
    line = np.sort(np.concatenate(lines))
    below = [frame * FRAME_SPAN + pitch - 1200 * np.log2(k) for k in ODD_PARTIALS]
    return np.asarray(np.any([_nearest(line, want) <= PARTIAL_OF_CENTS for want in below], axis=0))


def _lasts(frame: npt.NDArray[np.int64], pitch: npt.NDArray[np.float64], apart: int) -> npt.NDArray[np.bool_]:
    """Which partials have one at the same pitch ``apart`` frames later."""
    if len(frame) == 0:
        return np.zeros(0, dtype=bool)
    line = frame * FRAME_SPAN + pitch
    return np.asarray(_nearest(np.sort(line), line + apart * FRAME_SPAN) <= SAME_PARTIAL_CENTS)


def _nearest(line: npt.NDArray[np.float64], want: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Distance from each to the nearest place on a sorted line; infinite where none is on it."""
    if not len(line):
        return np.full(len(want), np.inf)
    after = np.clip(np.searchsorted(line, want), 1, len(line) - 1) if len(line) > 1 else np.zeros(1, int)
    return np.asarray(np.minimum(np.abs(line[after] - want), np.abs(line[after - 1] - want)))


def _circular_density(
    cents: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], width: float = CLUSTER_CENTS
) -> npt.NDArray[np.float64]:
    """Smoothed histogram over -50..49 cents [shape=(100,)]."""
    cell = np.rint(cents + 50).astype(int) % 100
    counts = np.bincount(cell, weights=weights, minlength=100)
    reach = np.arange(100)
    kernel = np.exp(-0.5 * (np.minimum(reach, 100 - reach) / width) ** 2)
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
