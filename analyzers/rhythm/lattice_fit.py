"""One constant lattice fitted to the whole song, to a fraction of a millisecond at its end.

Two steps. The coherent fit maximises the Fourier sum of the onset strength at the harmonics of the lattice
(all attacks of the song added in phase). The fine fit folds the 0.7 ms level curves on the lattice, for the
whole song and for windows of it, and regresses the windows' lags against time: swing, late snares and other
constant offsets are part of the folded template and cancel.

Conventions: `period_s` in seconds; lags in seconds, positive = the window's attacks come late.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.signal.onsets import Onsets

TOLERANCE = 0.006  # how far the coarse period may be off (ratio)
WINDOW_S = 10.0
LAG_RANGE_S = 0.030
END_RANGE_S = 0.012  # how far the coherent fit can be off at the song's end
FINEST_HZ = 160.0
PLAYED, PLAYED_HZ = 0.30, 40.0  # below this coherence attacks are too loose for more than this detail
# step in BPM, s by which a tempo on it may always move the song's end, share of what the fit leaves open;
# agreement with the attacks that it has to have (chosen on 271 generated beats and songs)
ROUND_STEPS = (
    (1.0, 0.004, 5.0, 0.90),
    (0.5, 0.003, 2.5, 0.93),
    (0.1, 0.002, 0.6, 0.0),
    (0.01, 0.0015, 0.0, 0.0),
)
AGREEMENT_S = 0.060  # farther than this at the song's end no tempo agrees
RIVAL_SHARE = 2.0  # of what the fit leaves open: so near to a whole number another rate of beats is one

HZ_BLOCK = 64  # frequencies summed at a time: bounds memory on long files

FloatArray = npt.NDArray[np.floating]
Count = Callable[[FloatArray], FloatArray]
Agreement = Callable[[float], float]


@dataclass(frozen=True, slots=True, eq=False)
class WindowLags:
    """Lag of each window's attacks against the whole song's, the lattice taken as constant.

    time_s : centres of the windows; lag_s : how late; weight : correlation with the song's template at that
    lag, in [0, 1], 0 where the window has no attacks; in_place : the same at no lag; loud : its share of
    all attacks
    """

    time_s: FloatArray
    lag_s: FloatArray
    weight: FloatArray
    in_place: FloatArray
    loud: FloatArray

    @property
    def coherence(self) -> float:
        """Mean correlation of the windows with the song's template as they stand, by their attacks."""
        return float((self.in_place * self.loud).sum())

    @property
    def spread_s(self) -> float:
        """Weighted root mean square of the lags."""
        total = float(self.weight.sum())
        return float(np.sqrt((self.weight * self.lag_s**2).sum() / total)) if total > 0 else 0.0


def demodulate(onsets: Onsets, period_s: float, harmonics: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Complex onset strength at the lattice's harmonics, each twice the one before; one value a period.

    Returns (z [shape=(bands, harmonics, periods)], centre times in s [shape=(periods,)]).
    """
    strength = onsets.centred
    frames = strength.shape[1]
    count = max(int(frames / onsets.rate / period_s), 1)
    edges = np.round(np.arange(count + 1) * period_s * onsets.rate).astype(int)
    t = np.arange(frames) / onsets.rate
    z = np.empty((len(strength), len(harmonics), count), complex)
    turn = np.exp(-2j * np.pi * harmonics[0] / period_s * t)
    for k in range(len(harmonics)):
        for band, curve in enumerate(strength):
            z[band, k] = np.add.reduceat(curve * turn, edges[:-1])
        np.square(turn, out=turn)
    return z, (edges[:-1] + edges[1:]) / 2 / onsets.rate


def _coherent(z: FloatArray, t: FloatArray, hz: FloatArray, harmonics: tuple[int, ...]) -> FloatArray:
    """Power of the Fourier sums at frequency offsets `hz` of the lattice, summed over harmonics."""
    out = np.zeros(len(hz))
    for first in range(0, len(hz), HZ_BLOCK):
        part = slice(first, first + HZ_BLOCK)
        for k, h in enumerate(harmonics):
            turn = np.exp(-2j * np.pi * h * np.outer(hz[part], t))
            out[part] += (np.abs(turn @ z[:, k].T) ** 2).sum(axis=1)
    return out


def coherent_period(onsets: Onsets, period_s: float, tolerance: float = TOLERANCE) -> float:
    """The period within `tolerance` (ratio) of `period_s` that adds the song's attacks in phase."""
    harmonics = (1, 2, 4, 8)
    z, t = demodulate(onsets, period_s, harmonics)
    span = max(float(t[-1] - t[0]), period_s)
    centre, half = 0.0, tolerance / period_s
    for used in (harmonics[:2], harmonics[:3], harmonics):
        step = 0.15 / (span * used[-1])
        n = max(int(half / step), 8)
        hz = centre + half * np.arange(-n, n + 1) / n
        centre = float(hz[np.argmax(_coherent(z, t, hz, used))])
        half = min(half, 1.0 / (span * used[-1]))
    return 1.0 / (1.0 / period_s + centre)


def fine_rise(onsets: Onsets) -> FloatArray:
    """Rise of the fine level curves over 3 ms, dB, capped so that no one attack rules [shape=(blocks,)]."""
    out = np.zeros(len(onsets.fine_high))
    step = 4
    for curve in (onsets.fine_high, onsets.fine_full):
        floor = max(float(np.percentile(curve, 95)) - 45.0, 0.0)
        clipped = np.maximum(curve, floor)
        rise = np.zeros(len(curve))
        rise[step:] = clipped[step:] - clipped[:-step]
        rise[:step] = clipped[:step] - floor
        rise -= 3.0
        np.clip(rise, 0.0, 20.0, out=rise)
        out += rise
    return out


def fold_windows(
    rise: FloatArray, rate: float, count: Count, period_s: float, window_s: float = WINDOW_S
) -> tuple[FloatArray, FloatArray]:
    """Rise folded on one period in half overlapping windows: (folds [shape=(windows, bins)], centres s).

    `count` says how many periods lie before an instant, so that a moving pulse can be folded too.
    """
    bins = max(round(period_s * rate), 16)
    hop = max(int(window_s / 2 * rate), 1)
    edges = np.arange(0, len(rise), hop)
    halves = np.empty((len(edges), bins))
    for half, start in zip(halves, edges.tolist(), strict=True):
        part = rise[start : start + hop]
        u = count(np.arange(start, start + len(part)) / rate)
        u -= np.floor(u)
        u *= bins
        half[:] = np.bincount(np.minimum(u.astype(np.int64), bins - 1), part, bins)
    folds = halves[:-1] + halves[1:] if len(halves) > 1 else halves
    centres = (edges[: len(folds)] + min(hop, len(rise) / 2)) / rate
    return folds, centres


def fold_lags(
    rise: FloatArray, rate: float, count: Count, period_s: float, window_s: float = WINDOW_S
) -> WindowLags:
    """Lag of each window against the whole song, folded on one period."""
    folds, centres = fold_windows(rise, rate, count, period_s, window_s)
    bins = folds.shape[1]
    spectrum = np.fft.rfft(folds - folds.mean(axis=1, keepdims=True), axis=1)
    reference = spectrum.sum(axis=0)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=1)
    own = np.sqrt(power * np.vdot(reference, reference).real) + 1e-12
    smooth = np.exp(-0.5 * (np.arange(len(reference)) * 2 * np.pi / bins * 1.5) ** 2)  # 1.5 blocks wide
    xcorr = np.fft.irfft(spectrum * reference.conj() * smooth, bins, axis=1)
    reach = min(int(LAG_RANGE_S * rate), bins // 2 - 1)
    near = np.concatenate([xcorr[:, -reach:], xcorr[:, : reach + 1]], axis=1)
    best = np.argmax(near, axis=1)
    lag = np.array([_peak(row, k) for row, k in zip(near, best, strict=True)]) - reach
    weight = np.clip(near[np.arange(len(near)), best] * bins / 2 / own, 0.0, 1.0)
    in_place = np.clip(near[:, reach] * bins / 2 / own, -1.0, 1.0)
    total = folds.sum(axis=1)
    return WindowLags(centres, lag / rate, weight, in_place, total / max(float(total.sum()), 1e-9))


def sharpest_period(rise: FloatArray, rate: float, period_s: float, finest_hz: float = FINEST_HZ) -> float:
    """The period near `period_s` at which the windows' folds add up highest.

    Searched where the song's end moves by less than `END_RANGE_S`; unlike the lags against the song's own
    template, which the error itself smears, this is not drawn towards the start value.
    """
    shifts = np.arange(-END_RANGE_S, END_RANGE_S + 1e-9, 0.0002)
    power = _powers(rise, rate, period_s, finest_hz, shifts)
    if power is None:
        return period_s
    shift = float(shifts[0]) + 0.0002 * _peak(power, int(np.argmax(power)))
    return period_s * (1.0 + shift / (len(rise) / rate))


def agreement(rise: FloatArray, rate: float, period_s: float) -> Agreement:
    """How well a period so many times as long agrees with the attacks: the power of the windows' folds at it,
    of what they have at the best period near `period_s`, in detail that played attacks have, too.

    A few early attacks move the sharpest fit by more than they lessen this.
    """
    shifts = np.arange(-AGREEMENT_S, AGREEMENT_S + 1e-9, 0.001)
    power = _powers(rise, rate, period_s, PLAYED_HZ, shifts)
    if power is None:
        return lambda _: 1.0
    share = power / max(float(power.max()), 1e-12)
    return lambda factor: float(np.interp((factor - 1.0) * len(rise) / rate, shifts, share, 0.0, 0.0))


def _powers(
    rise: FloatArray, rate: float, period_s: float, finest_hz: float, shifts_s: FloatArray
) -> FloatArray | None:
    """Power of the windows' folds where a longer period moves the song's end by so much, in even steps [shape
    as shifts_s]; None under 3 windows."""
    folds, t = fold_windows(rise, rate, lambda t: t / period_s, period_s)
    if len(t) < 3:
        return None
    harmonics = np.arange(1, min(int(finest_hz * period_s), folds.shape[1] // 2))
    level = np.sqrt((folds**2).sum(axis=1, keepdims=True)) + 1e-9
    spectrum = np.fft.rfft(folds / level, axis=1)[:, harmonics]
    share = (t - t.mean()) / (len(rise) / rate)
    turn = 2j * np.pi / period_s * np.outer(share, harmonics)  # for each second of shift
    turned, step = spectrum * np.exp(shifts_s[0] * turn), np.exp((shifts_s[1] - shifts_s[0]) * turn)
    power = np.zeros(len(shifts_s))
    for k in range(len(shifts_s)):
        power[k] = (np.abs(turned.sum(axis=0)) ** 2).sum()
        turned *= step
    return power


def window_lags(rise: FloatArray, rate: float, period_s: float, window_s: float = WINDOW_S) -> WindowLags:
    """`fold_lags` on a constant period."""
    return fold_lags(rise, rate, lambda t: t / period_s, period_s, window_s)


def _peak(y: FloatArray, k: int) -> float:
    """Position of the maximum near index k by a parabola through three points."""
    if k == 0 or k == len(y) - 1:
        return float(k)
    a, b, c = y[k - 1], y[k], y[k + 1]
    bend = a - 2 * b + c
    return k + float(0.5 * (a - c) / bend) if bend < 0 else float(k)


def regress(lags: WindowLags) -> float:
    """Slope (s/s) of the lags against time, reweighted against outliers (Huber 1964); 0 under 3 windows."""
    t, y, trust = lags.time_s, lags.lag_s, lags.weight**2
    w = trust
    if len(t) < 3 or w.sum() <= 0:
        return 0.0
    slope = 0.0
    for _ in range(8):
        mt, my = float(w @ t / w.sum()), float(w @ y / w.sum())
        slope = float((w * (t - mt) * (y - my)).sum() / max((w * (t - mt) ** 2).sum(), 1e-12))
        residual = np.abs(y - my - slope * (t - mt))
        w = trust / np.maximum(residual / max(float(np.median(residual)), 1e-4), 1.0)
    return slope


def fit_constant(
    onsets: Onsets, rise: FloatArray, period_s: float, tolerance: float = TOLERANCE
) -> tuple[float, WindowLags]:
    """Best constant period within `tolerance` (ratio) of `period_s` and the windows' lags against it.

    rise : `fine_rise` of the onsets
    """
    coherent = coherent_period(onsets, period_s, tolerance)
    period = sharpest_period(rise, onsets.fine_rate, coherent)
    for _ in range(2):
        slope = regress(window_lags(rise, onsets.fine_rate, period))
        period *= 1.0 + (slope if abs(slope) < 1e-3 else 0.0)
    lags = window_lags(rise, onsets.fine_rate, period)
    if lags.coherence < PLAYED:
        period = sharpest_period(rise, onsets.fine_rate, coherent, PLAYED_HZ)
        lags = window_lags(rise, onsets.fine_rate, period)
    return period, lags


def snap_tempo(bpm: float, duration_s: float, coherence: float, agrees: Agreement) -> float:
    """The roundest tempo that explains the attacks as well, else `bpm` itself.

    A round tempo may move the end of the song by what the fit leaves open: about 1 ms on a tight sequence,
    10 ms on a loosely played one (measured on rendered beats); the rounder the tempo, the likelier it is.
    Where that is far, the attacks have to agree with it.
    """
    for step, least_s, share, agreed in ROUND_STEPS:
        rounded = round(bpm / step) * step
        open_s = max(least_s, share * _open_s(coherence))
        near = rounded > 0 and abs(rounded / bpm - 1.0) * duration_s < open_s
        if near and agrees(bpm / rounded) >= agreed:
            return round(rounded, 6)
    return bpm


def open_share(duration_s: float, coherence: float) -> float:
    """Share of a tempo that the fit leaves open to a whole one, where rates of beats are compared."""
    return max(ROUND_STEPS[0][1], RIVAL_SHARE * _open_s(coherence)) / duration_s


def _open_s(coherence: float) -> float:
    return 0.0008 / max(coherence, 0.2) ** 2
