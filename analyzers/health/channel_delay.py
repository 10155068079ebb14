"""By how much one channel of two comes after the other.

The cross spectrum of both channels, summed over moments of the whole signal and divided by their powers
(the smoothed coherence transform, Carter, Nuttall and Cable 1973), has one sharp peak at the delay, whatever
the music. One part that is delayed on purpose to make it wide has its peak in its own range only: a channel
is late where no range in which the channels are alike says otherwise.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, rfft

from analyzers.signal.samples import SampleArray

WINDOW_S = 0.17
MOMENTS = 48  # looked at, spread evenly over the signal
AT_ONCE = 8  # moments
LONGEST_S = 0.02  # later is an echo
SHORTEST_S = 0.0005  # sooner: the mono sum's first notch lies above 1 kHz
BANDS_HZ = ((60.0, 600.0), (600.0, 2500.0), (2500.0, 10000.0))
FEWEST_BANDS = 2  # in which the channels are alike
FLOOR = 1e-8  # of the strongest bin's power: rounding and dither are under it
ALIKE = 0.3  # coherence at a band's own lag
CLEAR = 2.0  # times what there is without a delay
SAME_S = 0.0002  # the bands' lags differ by no more ...
SAME_PERIODS = 0.1  # ... or by no more of the band's middle period, where that is longer

Spectra = npt.NDArray[np.complexfloating]


def channel_delay(samples: SampleArray, rate: int) -> float | None:
    """Seconds by which the second channel is late (negative: the first); None where neither is.

    samples : [shape=(frames, 2)]; sound shorter than a window tells nothing
    """
    size, reach = int(WINDOW_S * rate), int(LONGEST_S * rate)
    cross, power = _spectra(samples, size)
    frequency = np.fft.rfftfreq(size, 1 / rate)
    floor = FLOOR * power.max()
    alike: list[tuple[int, float]] = []  # lag in samples, Hz of the middle of its band
    for low, high in BANDS_HZ:
        heard = (frequency >= low) & (frequency < high) & (power.min(axis=0) > floor)
        if not heard.any():
            continue
        coherent = np.zeros_like(cross)
        coherent[heard] = cross[heard] / np.sqrt(power[0, heard] * power[1, heard])
        likeness = irfft(coherent, n=size) * (size / 2 / heard.sum())
        lags = np.concatenate([likeness[-reach:], likeness[: reach + 1]])
        at = int(lags.argmax())
        if lags[at] >= ALIKE:
            if lags[at] < CLEAR * lags[reach]:
                return None
            alike.append((at - reach, float(np.sqrt(low * high))))
    if len(alike) < FEWEST_BANDS:
        return None
    lag = max(alike, key=lambda band: band[1])[0]
    same = all(abs(at - lag) <= max(SAME_S, SAME_PERIODS / hz) * rate for at, hz in alike)
    return lag / rate if same and abs(lag) >= SHORTEST_S * rate else None


def _spectra(samples: SampleArray, size: int) -> tuple[Spectra, npt.NDArray[np.float64]]:
    """Cross spectrum of the second with the first channel [shape=(bins,)], powers [shape=(2, bins)]."""
    window = np.hanning(size).astype(np.float32)
    cross, power = np.zeros(size // 2 + 1, np.complex128), np.zeros((2, size // 2 + 1))
    last = len(samples) - size
    starts = np.unique(np.linspace(0, max(last, 0), MOMENTS).astype(int)) if last >= 0 else np.zeros(0, int)
    for some in np.array_split(starts, range(AT_ONCE, len(starts), AT_ONCE)):
        heard = [samples[start : start + size].T * window for start in some]
        for bins in rfft(heard, axis=2) if heard else ():
            cross += bins[1] * np.conj(bins[0])
            power += bins.real**2 + bins.imag**2
    return cross, power
