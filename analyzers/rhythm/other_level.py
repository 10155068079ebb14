"""A long part of a steady song whose attacks come twice as fast as before, or half as fast.

A song that doubles its notated tempo and one whose drums go into double time sound the same: the beats stay
where they are, and only a person can say how the part is counted. What is heard is that the pattern goes on
at another rate, and not only its hats: the autocorrelation of the attacks after a bar line is that before it,
with all lags halved or doubled. To compare tempograms an octave apart is common practice (Grosche, Müller
and Kurth, "Cyclic tempogram", ICASSP 2010); the limits are from rendered beats (kind `level` of
`python -m tests.accuracy.restarts`).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import fft as sfft
from scipy.ndimage import gaussian_filter1d

from analyzers.model import OtherLevel
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
WINDOW_BEATS, HOP_BEATS = 32, 4
OCTAVE = 24  # lags in one
LAGS = 2.0 ** (np.arange(-3.5 * OCTAVE, 2.5 * OCTAVE + 1) / OCTAVE)  # beats: a 64th to more than a bar
BLUR_FRAMES = 1.5
LEAST_S = 30.0  # a part that is shorter is a break, an introduction or an ending
ALIKE = 0.4  # correlation of the two parts, an octave apart, at least ...
BETTER = 0.02  # ... and so much more than as they are
LOW, SAME = 2, 0.94  # the lowest bands: where these are so much alike as they are, only the hats are faster
MIDDLE_BPM = 110.0  # of the two ways to tell it, the one that keeps the other tempo near to this is told


def other_level(onsets: Onsets, bpm: float, lines_s: FloatArray) -> OtherLevel | None:
    """The part that may be counted at twice or half the tempo; None where the attacks keep their rate.

    Parameters
    ----------
    bpm : tempo of the whole song
    lines_s : its bar lines, on one of which the part begins or ends, give or take some [shape=(n,)]
    """
    found = _change(onsets, 60.0 / bpm)
    if found is None:
        return None
    at_s, faster = found
    at_s = float(lines_s[np.abs(lines_s - at_s).argmin()])
    other = bpm * 2 if bpm < MIDDLE_BPM else bpm / 2
    later = faster == (other > bpm)
    return OtherLevel(other, from_s=at_s if later else None, to_s=None if later else at_s)


def _change(onsets: Onsets, beat_s: float) -> tuple[float, bool] | None:
    """Where the rate changes (s), and whether it doubles there."""
    rows, starts_s = _autocorrelations(onsets, beat_s)
    length_s, end_s = WINDOW_BEATS * beat_s, onsets.strength.shape[1] / onsets.rate
    best, at = BETTER, None
    total = np.concatenate([np.zeros_like(rows[:1]), np.cumsum(rows, axis=0)])
    for later in np.flatnonzero((starts_s >= LEAST_S) & (starts_s <= end_s - LEAST_S)):
        ended = int(np.searchsorted(starts_s, starts_s[later] - length_s + 1e-6, side="right"))
        if not ended:
            continue
        before, after = total[ended] / ended, (total[-1] - total[later]) / (len(rows) - later)
        for faster, a, b in ((True, before, after), (False, after, before)):
            octave = _like(b[:, :-OCTAVE], a[:, OCTAVE:])
            better = octave - _like(b[:, :-OCTAVE], a[:, :-OCTAVE])
            if octave < ALIKE or better <= best:
                continue
            if _like(b[:LOW, :-OCTAVE], a[:LOW, :-OCTAVE]) < SAME:
                best, at = better, (float(starts_s[later]), faster)
    return at


def _autocorrelations(onsets: Onsets, beat_s: float) -> tuple[FloatArray, FloatArray]:
    """Of the attacks of each band in each window, at `LAGS` [shape=(windows, bands, lags)]; where these start
    (s)."""
    attacks = gaussian_filter1d(onsets.hits, BLUR_FRAMES, axis=1)
    frames, length = attacks.shape[1], WINDOW_BEATS * beat_s * onsets.rate
    width, count = int(length), max(int((frames - length) / (HOP_BEATS * beat_s * onsets.rate)) + 1, 0)
    starts_s = np.arange(count) * HOP_BEATS * beat_s
    at = LAGS * beat_s * onsets.rate
    whole = at.astype(int)
    overlap = (width - np.arange(width)).astype(np.float32)
    size = sfft.next_fast_len(2 * width, real=True)
    rows = np.empty((count, len(attacks), len(LAGS)))
    for k, start in enumerate((starts_s * onsets.rate).astype(int)):
        x = attacks[:, start : start + width]
        spectrum = sfft.rfft(x - x.mean(axis=1, keepdims=True), size, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        curve = sfft.irfft(power, size, axis=1)[:, :width] / overlap
        rows[k] = curve[:, whole] * (1 - at + whole) + curve[:, whole + 1] * (at - whole)
    return rows, starts_s


def _like(x: FloatArray, y: FloatArray) -> float:
    """Correlation of two sets of curves, each of them less its mean."""
    x, y = (curves - curves.mean(axis=1, keepdims=True) for curves in (x, y))
    return float((x * y).sum() / max(math.sqrt((x**2).sum() * (y**2).sum()), 1e-12))
