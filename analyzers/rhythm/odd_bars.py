"""Whether the bars may have another length than those that can be found: of two, three or four beats.

Music is most like itself a bar later. Attacks that come again after five beats, or after three and a half,
rather than after two, three or four, are no bars of these; and where they come again after four beats in one
part and after three in another, the meter changes. (Likeness a lag later as the measure of meter: J. Brown,
"Determination of the meter of musical scores by autocorrelation", JASA 94(4), 1993.)
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
SLOTS = 12  # places in a beat: sixteenths and triplets both fall on them
# Beats after which the music is most like itself: a bar and two of them
ODD = {"5/4": (5.0, 10.0), "7/8": (3.5, 7.0), "7/4": (7.0, 14.0)}
EVEN = ((2.0, 4.0), (4.0, 8.0), (3.0, 6.0))
FOUR, THREE = EVEN[1:]
# So much more alike (correlation): 300 generated beats in even bars reach 0.02, and 0.13 in parts
RATHER = 0.15
PART_BEATS, STEP_BEATS, LEAST_BEATS = 24, 4, 64  # of a part; from one to the next; of a song that is asked
FAINT = 0.1  # share of the song's power that a part is taken to have besides its own


def other_bars(onsets: Onsets, beats_s: FloatArray, beats_per_bar: int) -> str | None:
    """The meter that it has instead, a name of `ODD`, or has in parts, "3/4" or "4/4"; None where nothing
    speaks against the bars that were found.

    beats_s : beats of the whole song, quarters [shape=(n,)]; beats_per_bar : as found, 4 or 3; others are not
    asked about
    """
    if len(beats_s) < LEAST_BEATS or beats_per_bar not in (3, 4):
        return None
    attacks = _attacks(onsets, beats_s)
    power = (attacks**2).sum(axis=0)
    lags = sorted({lag for pair in (*ODD.values(), *EVEN) for lag in pair})
    alike = {lag: _products(attacks, round(lag * SLOTS)) for lag in lags}

    def after(pair: tuple[float, float], part: slice) -> float:
        return float(sum(alike[lag][part].mean() for lag in pair) / 2)

    whole = slice(0, len(power))
    mean = float(power.mean()) + 1e-9
    odd = {name: after(pair, whole) / mean for name, pair in ODD.items()}
    likeliest = max(odd, key=lambda name: odd[name])
    least = max(after(pair, whole) for pair in EVEN) / mean + RATHER
    if odd[likeliest] > least:  # two bars of 7/8 are as alike as one of 7/4
        halves = float(alike[ODD["7/8"][0]].mean()) / mean > least
        return "7/8" if likeliest == "7/4" and halves else likeliest
    starts = np.arange(0, len(power) - PART_BEATS * SLOTS + 1, STEP_BEATS * SLOTS)
    parts = [slice(a, a + PART_BEATS * SLOTS) for a in starts.tolist()]
    fours = np.array(
        [(after(FOUR, s) - after(THREE, s)) / (float(power[s].mean()) + FAINT * mean) for s in parts]
    )
    changes = min(fours.max(), -fours.min()) > RATHER
    return ("3/4" if beats_per_bar == 4 else "4/4") if changes else None


def _attacks(onsets: Onsets, beats_s: FloatArray) -> FloatArray:
    """Strongest attack of each band at each slot, less what every beat has there [shape=(bands, slots)]."""
    time = np.arange(onsets.hits.shape[1]) / onsets.rate
    count = len(beats_s)
    v = np.interp(time, beats_s, np.arange(count), left=-1.0, right=count)
    edges = np.searchsorted(v, (np.arange((count - 1) * SLOTS) - 0.5) / SLOTS)
    peaks = np.maximum.reduceat(onsets.hits, np.minimum(edges, len(time) - 1), axis=1)
    beats = peaks.reshape(len(peaks), -1, SLOTS)
    out: FloatArray = (beats - beats.mean(axis=1, keepdims=True)).reshape(peaks.shape)
    return out


def _products(attacks: FloatArray, lag: int) -> FloatArray:
    """Each slot's attacks times those `lag` slots before, over all bands [shape=(slots,)]."""
    out = np.zeros(attacks.shape[1])
    out[lag:] = (attacks[:, lag:] * attacks[:, :-lag]).sum(axis=0)
    return out
