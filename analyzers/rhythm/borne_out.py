"""Which part of a song bears a steady grid out.

A song may begin out of tempo, or slow down at its end; a grid that is right in between is carried on there,
and no average over the song shows it. So windows of the song are folded on the beat, its quarters and its
thirds, and each is compared with the fold of all others (correlation): a part that has its attacks elsewhere,
or has none, is not like them. Parts with other patterns agree on the quarters or on the thirds.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from analyzers.rhythm.lattice_fit import fold_windows
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
WINDOW_S = 3.0  # half overlapping
DIVISIONS = (1, 3, 4)  # of a beat
BLUR_S = 0.006  # attacks that are so far apart are together
HEARD = 0.3  # share of the mean attacks of a window with which it counts for the song's own likeness
TELLING = 0.3  # least likeness of the song's windows by which one of them can be told from the rest
LIKE = 0.65  # share of the song's typical likeness that bears the grid out
LEAST_S = 3.0  # a shorter stretch at an end tells nothing
STRUCK = 0.5  # an end that is neither a fade nor a chord that rings has so much of the song's mean attacks
OFF_LINE_S = 0.04  # music that begins farther from every bar line does not begin on one


def borne_out(
    onsets: Onsets, rise: FloatArray, beats_s: FloatArray, bar: int, first_sound_s: float
) -> tuple[float | None, float | None]:
    """From when to when attacks bear even beats out (s); None at an end that nothing speaks against.

    Parameters
    ----------
    rise : `fine_rise` of the onsets [shape=(blocks,)]
    beats_s : evenly spaced beats [shape=(n,)], n >= 2; the first one and each `bar`-th after it begin a bar
    first_sound_s : music that begins on a bar line is in tempo from there, however little it tells at first
    """
    windows = _windows(rise, onsets.fine_rate, beats_s)
    if windows is None:
        return None, None
    like, loud, centres = windows
    agrees = np.flatnonzero((like[:-1] >= LIKE) & (like[1:] >= LIKE))
    heard = np.flatnonzero(loud > 0.0)
    if not len(agrees):
        return None, None
    first, last = int(agrees[0]), int(agrees[-1]) + 1
    off_line = float(np.abs(beats_s[::bar] - first_sound_s).min()) > OFF_LINE_S
    starts = off_line and centres[first] - centres[heard[0]] >= LEAST_S
    half = WINDOW_S / 2
    sound_s, last_s = float(centres[heard[-1]]) + half, float(centres[last]) + half
    ends = sound_s - last_s >= LEAST_S and _attacks(onsets, last_s, sound_s) >= STRUCK
    return float(centres[first]) - half if starts else None, last_s if ends else None


def _attacks(onsets: Onsets, start_s: float, end_s: float) -> float:
    """How much is struck there, of the mean of the song up to its end."""
    flux = onsets.strength.sum(axis=0)
    start, end = (round(at * onsets.rate) for at in (start_s, end_s))
    return float(flux[start:end].mean() / max(float(flux[:end].mean()), 1e-9))


def _windows(
    rise: FloatArray, rate: float, beats_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """How like the song each window is, of what is typical; its share of attacks, of the mean; its centre (s)
    [each of shape=(windows,)]. None where the windows of the song are not like each other."""
    beat_s, likeness = float(np.median(np.diff(beats_s))), []
    loud: FloatArray = np.zeros(0)
    centres: FloatArray = np.zeros(0)
    for parts in DIVISIONS:
        period = beat_s / parts
        folds, centres = fold_windows(rise, rate, partial(_count, beats_s[0], period), period, WINDOW_S)
        loud = folds.sum(axis=1) / max(float(folds.sum(axis=1).mean()), 1e-9)
        like = _likeness(folds, BLUR_S * rate)
        typical = float(np.median(like[loud > HEARD])) if (loud > HEARD).any() else 0.0
        if typical > TELLING:
            likeness.append(like / typical)
    return (np.max(likeness, axis=0), loud, centres) if likeness else None


def _count(start_s: float, period_s: float, t: FloatArray) -> FloatArray:
    return (t - start_s) / period_s


def _likeness(folds: FloatArray, blur: float) -> FloatArray:
    """Correlation of each window's fold with that of all that do not overlap it [shape=(windows,)]."""
    blurred = gaussian_filter1d(folds, blur, axis=1, mode="wrap")
    own = blurred - blurred.mean(axis=1, keepdims=True)
    beside = own.copy()
    beside[1:] += 0.5 * own[:-1]
    beside[:-1] += 0.5 * own[1:]
    rest = own.sum(axis=0) - beside
    norm = np.sqrt((own**2).sum(axis=1) * (rest**2).sum(axis=1))
    out: FloatArray = (own * rest).sum(axis=1) / np.maximum(norm, 1e-9)
    return out
