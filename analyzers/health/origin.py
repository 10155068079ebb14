"""Where a file comes from: an earlier lossy life, a word length that is not used, an odd rate.

Lossy encoders at low rates cut the top off with a filter as steep as a cliff (16 kHz at
128 kbit/s and below is usual, encoder documentation; common practice to look for it). Music that
merely has little top falls off gently.
"""

from __future__ import annotations

import numpy as np

from analyzers.model import Flag
from analyzers.signal.channel_stats import ChannelStats
from analyzers.signal.samples import SampleArray, Signal

USUAL_RATES = (44100, 48000, 88200, 96000, 176400, 192000)
BAND_HZ = 200.0
LOWEST_SHELF_HZ, HIGHEST_SHELF_HZ = 9000.0, 19300.0
SURE_SHELF_HZ = 18500.0  # above: high bit rates, or a converter's own filter
CLIFF_DB = 25.0
SIDE_BANDS = 5  # 1 kHz on each side of the cliff
GAP_BANDS = 2  # the filter's slope
CHECK_FRAMES = 1 << 18


def judge_lossy_origin(stats: ChannelStats, rate: int) -> list[Flag]:
    """A cliff in the spectrum of a source that is not declared lossy."""
    edge = find_shelf(stats, rate)
    if edge is None:
        return []
    return [
        Flag(
            code="lossy-origin",
            severity="warning" if edge < SURE_SHELF_HZ else "note",
            text=f"The spectrum ends in a cliff at {edge / 1000:.1f} kHz, as after a lossy encoder.",
            advice="Ask whether this was bounced from the session or converted from an MP3.",
            amount=edge,
            unit="Hz",
        )
    ]


def find_shelf(stats: ChannelStats, rate: int) -> float | None:
    """Frequency of the cliff in Hz, None without one."""
    per_band = max(1, round(BAND_HZ / (stats.frequency[1] - stats.frequency[0])))
    power = stats.spectrum.sum(axis=0)
    bands = len(power) // per_band
    level = 10 * np.log10(power[: bands * per_band].reshape(bands, per_band).mean(axis=1) + 1e-20)
    width = stats.frequency[1] * per_band
    last = int(min(HIGHEST_SHELF_HZ, 0.46 * rate) / width)
    for k in range(int(LOWEST_SHELF_HZ / width), last):
        below = float(level[k - SIDE_BANDS : k].mean())
        above = level[k + GAP_BANDS :]
        if len(above) >= 2 and float(above.max()) < below - CLIFF_DB:
            return float(k * width)
    return None


def judge_format(signal: Signal, bit_depth: int | None) -> list[Flag]:
    """Odd sampling rates and word lengths, and words whose lower bits are never used."""
    flags = []
    if signal.rate not in USUAL_RATES:
        flags.append(
            Flag(
                code="unusual-rate",
                severity="note",
                text=f"Unusual sampling rate of {signal.rate} Hz.",
                advice="Convert it to the session's rate, or ask for a bounce at it.",
                amount=float(signal.rate),
                unit="Hz",
            )
        )
    if bit_depth is not None and bit_depth < 16:
        flags.append(
            Flag(
                code="short-words",
                severity="warning",
                text=f"Words of only {bit_depth} bits: audible noise.",
                advice="Ask for a 24-bit bounce.",
                amount=float(bit_depth),
                unit="bit",
            )
        )
    used = used_bits(signal.samples) if bit_depth is not None and bit_depth > 16 else bit_depth
    if used is not None and bit_depth is not None and bit_depth > 16 and used <= 16:
        flags.append(
            Flag(
                code="unused-bits",
                severity="note",
                text=f"A {bit_depth}-bit file that holds {used}-bit audio.",
                advice="Nothing is lost by it; ask for the original if more was meant.",
                amount=float(used),
                unit="bit",
            )
        )
    return flags


def used_bits(samples: SampleArray) -> int | None:
    """8, 12 or 16 when all samples are multiples of that step, else None."""
    candidates = [8, 12, 16]
    for start in range(0, len(samples), CHECK_FRAMES):
        block = samples[start : start + CHECK_FRAMES]
        while candidates:
            scaled = block * np.float32(2.0 ** (candidates[0] - 1))
            if np.array_equal(scaled, np.rint(scaled)):
                break
            candidates.pop(0)
        if not candidates:
            return None
    return candidates[0]
