"""The null test: how well does the sum of the stems cancel a bounce of the same beat, and where not?

The bounce is moved onto the stems and set against their sum at one gain (the median over moments of
half a second or more, so that a limiter or a spoken tag does not pull it). What is left, in dB below
the bounce, is the residual. Where something is left, moments are looked at in third octaves: a gain
and phase of its own for each band explains an equaliser, a compressor or a limiter, but not a part
that only one of the two has.

Source: least squares; magnitude-squared coherence (Bendat and Piersol, Random Data). The thresholds
are set on generated stems, see tests/daemon/decode/test_nulltest.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.signal.samples import SampleArray

MOMENT_S = 0.6
MOST_MOMENTS = 32  # looked at in bands: so many spread evenly, and as many of the worst
SAME_DB = -50.0  # a residual below this is rounding, dither or a lossy codec's very best
FLOOR_DB = -45.0  # moments this far below the loudest of the two are silence
PROCESSED = 0.1  # share of the power that gains and phases by band may leave of a processed bounce
ODD = 4.0  # times the usual share: here is something else ...
ODD_LEAST = 0.12  # ... if it is at least so much of the moment ...
HEARD = 0.03  # ... and of the mean power of all moments

Array = npt.NDArray[np.float64]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class NullTest:
    """A bounce against the sum of the stems. Seconds are those of the stems."""

    kind: str  # "same", "processed" (mastering: equaliser, dynamics), "different" (parts differ throughout)
    residual_db: float  # what one gain leaves, below the bounce (0: nothing cancels; -120: all)
    unexplained_db: float  # what a gain by band and moment leaves, typically
    gain_db: float  # of the bounce over the sum
    delay_s: float  # of the bounce after the stems
    inverted: bool
    gain_range_db: float  # how far the gain moves between quiet and loud moments (5th to 95th percentile)
    only_in_bounce: tuple[Span, ...]
    only_in_stems: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class _Moments:
    """Powers of bounce and sum, and what they share [shape=(moments,)]."""

    frames: int  # of one moment
    bounce: Array
    total: Array
    both: Array


def null_test(bounce: SampleArray, total: SampleArray, rate: int, late: int = 0) -> NullTest | None:
    """Compare a bounce with the sum of its stems, both float32 [shape=(frames, channels)] at `rate`.

    `late`: samples by which the bounce starts after the stems. None when either is silent or they
    are shorter than two moments.
    """
    moments = _moments(bounce, total, max(1, int(MOMENT_S * rate)), late)
    floor = 10 ** (FLOOR_DB / 10) * max(moments.bounce.max(initial=0.0), moments.total.max(initial=0.0))
    heard = (moments.bounce > floor) | (moments.total > floor)
    both = (moments.bounce > floor) & (moments.total > floor)
    if both.sum() < 2 or not moments.both[both].any():
        return None
    gains = moments.both[both] / moments.total[both]
    gain = float(np.median(gains))
    if gain == 0:
        return None
    left = np.maximum(moments.bounce - 2 * gain * moments.both + gain**2 * moments.total, 0.0)
    residual_db = _db(left[heard].sum() / moments.bounce[heard].sum())
    if residual_db <= SAME_DB:
        kind, usual, odd = "same", 10 ** (residual_db / 10), dict[int, float]()
    else:
        usual, odd = _unexplained(bounce, total, moments, left, np.flatnonzero(heard), late)
        kind = "processed" if usual <= PROCESSED else "different"
    spans = _spans(odd)
    moment_s = moments.frames / rate
    low, high = np.percentile(20 * np.log10(np.maximum(gains / gain, 1e-3)), (5, 95))
    return NullTest(
        kind=kind,
        residual_db=residual_db,
        unexplained_db=_db(usual),
        gain_db=20 * float(np.log10(abs(gain))),
        delay_s=late / rate,
        inverted=gain < 0,
        gain_range_db=float(high - low),
        only_in_bounce=tuple((a * moment_s, b * moment_s) for a, b, more in spans if more > 0),
        only_in_stems=tuple((a * moment_s, b * moment_s) for a, b, more in spans if more <= 0),
    )


def _db(share: float) -> float:
    return max(10 * float(np.log10(max(share, 1e-12))), -120.0)


def _moment(samples: SampleArray, start: int, frames: int) -> npt.NDArray[np.float32]:
    """Frames of a signal, mono; silence outside it."""
    out = np.zeros(frames, np.float32)
    first, last = max(start, 0), min(start + frames, len(samples))
    if last > first:
        channels = samples.shape[1]
        out[first - start : last - start] = samples[first:last] @ np.full(channels, 1 / channels, np.float32)
    return out


def _moments(bounce: SampleArray, total: SampleArray, frames: int, late: int) -> _Moments:
    count = max(len(total), len(bounce) - late) // frames
    powers = np.zeros((3, count))
    for k in range(count):
        b, s = _moment(bounce, k * frames + late, frames), _moment(total, k * frames, frames)
        powers[:, k] = b @ b, s @ s, b @ s
    return _Moments(frames, *powers)


def _unexplained(
    bounce: SampleArray,
    total: SampleArray,
    moments: _Moments,
    left: Array,
    heard: npt.NDArray[np.intp],
    late: int,
) -> tuple[float, dict[int, float]]:
    """(share of the power that bands do not explain, typically; moments with far more of it).

    Of each such moment: how much more power than usual the bounce has in what the two do not share.
    """
    spread = heard[np.linspace(0, len(heard) - 1, min(MOST_MOMENTS, len(heard))).astype(int)]
    share = left[heard] / np.maximum(np.maximum(moments.bounce, moments.total)[heard], 1e-30)
    worst = heard[np.argsort(share)[::-1][:MOST_MOMENTS]]
    bands = _bands(moments.frames)
    found = {
        int(k): _in_bands(
            _moment(bounce, k * moments.frames + late, moments.frames),
            _moment(total, k * moments.frames, moments.frames),
            bands,
        )
        for k in sorted({*spread, *worst})
    }
    shares = {k: held.unexplained for k, held in found.items()}
    usual = float(np.median([shares[int(k)] for k in spread]))
    response = np.median(
        [found[int(k)].both / np.maximum(found[int(k)].total, 1e-30) for k in spread], axis=0
    )
    size = np.maximum(moments.bounce / moments.bounce.mean(), moments.total / moments.total.mean())
    limit = max(ODD * usual, ODD_LEAST)
    odd = [k for k, value in shares.items() if value > limit and value * size[k] > HEARD]
    return usual, {k: found[k].more_in_bounce(response) for k in odd}


@dataclass(frozen=True, slots=True)
class _Bands:
    """One moment in bands: power of bounce and sum, and magnitude of what they share [shape=(bands,)]."""

    bounce: Array
    total: Array
    both: Array

    @property
    def unexplained(self) -> float:
        """Share of the power that a gain and phase for each band leaves, of the one that has more left."""
        return float(max(self._left(self.bounce, self.total), self._left(self.total, self.bounce)))

    def _left(self, of: Array, by: Array) -> float:
        return float(1 - (self.both**2 / np.maximum(by, 1e-30)).sum() / max(of.sum(), 1e-30))

    def more_in_bounce(self, response: Array) -> float:
        """Power that the bounce has more of than `response` (the usual gains) gives, where they differ."""
        expected = response**2 * self.total
        apart = 1 - self.both**2 / np.maximum(self.bounce * self.total, 1e-30)
        return float((apart * (self.bounce - expected)).sum())


def _bands(frames: int) -> npt.NDArray[np.intp]:
    """First bins of third octaves, from the eighth bin on: fewer bins would always fit."""
    bins = frames // 2 + 1
    edges = 8 * 2 ** (np.arange(int(3 * np.log2(bins / 8)) + 1) / 3)
    wide = [0]
    for edge in edges.astype(int):
        if edge - wide[-1] >= 8:
            wide.append(int(edge))
    return np.array(wide)


def _in_bands(
    bounce: npt.NDArray[np.float32], total: npt.NDArray[np.float32], bands: npt.NDArray[np.intp]
) -> _Bands:
    from scipy.fft import rfft

    window = np.hanning(len(bounce)).astype(np.float32)
    x, y = rfft(total * window), rfft(bounce * window)
    both = np.abs(np.add.reduceat((np.conj(x) * y).astype(np.complex128), bands))
    return _Bands(_power(y, bands), _power(x, bands), both)


def _power(spectrum: npt.NDArray[np.complexfloating], bands: npt.NDArray[np.intp]) -> Array:
    power: Array = np.add.reduceat((spectrum.real**2 + spectrum.imag**2).astype(np.float64), bands)
    return power


def _spans(moments: dict[int, float]) -> list[tuple[int, int, float]]:
    """(first moment, one past the last, sum of the values): what touches, or all but touches, is one."""
    spans: list[tuple[int, int, float]] = []
    for k in sorted(moments):
        first, past, value = spans[-1] if spans else (k, -2, 0.0)
        if k - past <= 1:
            spans[-1] = (first, k + 1, value + moments[k])
        else:
            spans.append((k, k + 1, moments[k]))
    return spans
