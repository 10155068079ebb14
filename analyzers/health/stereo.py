"""Faults between the channels: dead, lopsided, mono in stereo, late, inverted, lost in mono.

Convention: correlation is that of powers, -1 to 1; the mono sum is (L + R) / 2. Common practice:
bass is in the middle, so opposite polarity shows there first, whatever the width above.
"""

from __future__ import annotations

import numpy as np

from analyzers.health.channel_delay import channel_delay
from analyzers.model import Flag
from analyzers.signal.channel_stats import ChannelStats, Float64Array
from analyzers.signal.samples import Signal

DEAD_DB = 60.0  # one channel this far below the other
LEVEL_NOTE_DB, LEVEL_WARNING_DB = 1.5, 3.0  # of a channel that was turned down
LEANING_DB = 4.0  # of a mix: panned parts make up to 3 dB
# Power of the difference over that of the sum: mono; of the sum over both channels': silent in mono
SAME = 1e-6
INVERTED = -0.3  # correlation, over all or in the bass
LOSS_NOTE_DB, LOSS_WARNING_DB = 4.5, 6.0  # loss in mono against the mean channel; independent channels lose 3
LOW_CORRELATION = -0.5
BASS_CORRELATION = -0.1
HEARD = 0.01  # a band with less of the power is not judged
BASS = "the bass (under 150 Hz)"
BASS_HZ = (20.0, 150.0)
BANDS_HZ = (
    (BASS, *BASS_HZ),
    ("the low middle (150 to 600 Hz)", 150.0, 600.0),
    ("the middle (600 to 2500 Hz)", 600.0, 2500.0),
    ("the top (2.5 to 10 kHz)", 2500.0, 10000.0),
)


def judge_channels(signal: Signal, stats: ChannelStats) -> list[Flag]:
    """All faults between two channels; for one channel a note, for more than two nothing.

    A late channel disagrees with the other in phase here and there: that is not told of it as well.
    """
    channels = len(stats.power)
    if channels == 1:
        return [_mono_file()]
    if channels != 2:
        return []
    dead = find_dead_channel(stats)
    if dead:
        return dead
    left, right = (float(value) for value in stats.power)
    product = float(stats.product.mean(axis=0)[0, 1])
    if left + right - 2 * product <= SAME * (left + right + 2 * product):
        return [_mono_in_stereo()]
    level = _level(stats)
    late = _late(signal, stats)
    phase = late or _polarity(left, right, product, stats) or _bands(stats)
    return [*level, *phase]


def _mono_file() -> Flag:
    return Flag(
        code="mono-file",
        severity="note",
        text="One channel: it reads 3 LU below the same sound on two.",
        advice="Import it as a mono track, or ask for the stereo bounce.",
    )


def _mono_in_stereo() -> Flag:
    return Flag(
        code="mono-in-stereo",
        severity="note",
        text="Both channels are the same: mono in a stereo file.",
        advice="Ask for the stereo bounce if one was meant.",
    )


def find_dead_channel(stats: ChannelStats) -> list[Flag]:
    """One of two channels without sound beside the other."""
    if len(stats.power) != 2:
        return []
    left, right = (float(value) for value in stats.power)
    side, quiet, loud = ("left", left, right) if left < right else ("right", right, left)
    if quiet > loud * 10 ** (-DEAD_DB / 10):
        return []
    how = "silent" if quiet == 0.0 else f"{10 * np.log10(loud / quiet):.0f} dB below the other"
    return [
        Flag(
            code="dead-channel",
            severity="warning",
            text=f"The {side} channel is {how}.",
            advice="Use the other channel as mono, or ask for a new bounce.",
        )
    ]


def _level(stats: ChannelStats) -> list[Flag]:
    """A channel turned down: all of its bands are. Else a mix that leans far to one side."""
    left, right = (float(value) for value in stats.power)
    difference, common = 10 * float(np.log10(left / right)), _common_difference(stats)
    turned_down = abs(common) >= LEVEL_NOTE_DB
    if not turned_down and abs(difference) < LEANING_DB:
        return []
    shown = common if turned_down else difference
    louder = "left" if shown > 0 else "right"
    return [
        Flag(
            code="channel-level",
            severity="warning" if turned_down and abs(shown) >= LEVEL_WARNING_DB else "note",
            text=f"The {louder} channel is {abs(shown):.1f} dB louder.",
            advice="Balance the channels, or ask whether this was meant.",
            amount=shown,
            unit="dB",
        )
    ]


def _common_difference(stats: ChannelStats) -> float:
    """Level difference in dB that every heard band has at least; 0 where they disagree.

    Panned parts make differences of either sign that vary with the band; a gain error does not.
    """
    differences = []
    for _, low, high in BANDS_HZ:
        left, right = _band_power(stats, low, high)
        if left + right >= HEARD * stats.spectrum.sum() and min(left, right) > 0:
            differences.append(10 * float(np.log10(left / right)))
    if not differences or min(differences) * max(differences) <= 0:
        return 0.0
    return min(differences, key=abs)


def _late(signal: Signal, stats: ChannelStats) -> list[Flag]:
    """One channel after the other: a warning where the bass carries the music, which nobody makes wide so."""
    late_s = channel_delay(signal.samples, signal.rate)
    if late_s is None:
        return []
    power = {name: float(_band_power(stats, low, high).sum()) for name, low, high in BANDS_HZ}
    side, ms = "right" if late_s > 0 else "left", abs(late_s) * 1000
    return [
        Flag(
            code="channel-delay",
            severity="warning" if max(power, key=power.__getitem__) == BASS else "note",
            text=f"The {side} channel is {ms:.1f} ms late: parts get thin in mono.",
            advice=f"Unless it is meant to widen the sound, move that channel {ms:.1f} ms earlier.",
            amount=late_s * 1000,
            unit="ms",
        )
    ]


def _polarity(left: float, right: float, product: float, stats: ChannelStats) -> list[Flag]:
    """An inverted channel, or a mix that loses much in mono."""
    correlation = product / float(np.sqrt(left * right))
    both = max((left + right + 2 * product) / 2, SAME * (left + right))
    loss = 10 * float(np.log10((left + right) / both))
    silent = both == SAME * (left + right)
    bass = _band_correlation(stats, *BASS_HZ)
    if correlation < INVERTED or (bass is not None and bass < INVERTED and correlation < 0):
        return [
            Flag(
                code="polarity-inverted",
                severity="warning",
                text=f"One channel is inverted (correlation {correlation:+.2f}): "
                + ("mono is silent." if silent else f"mono loses {loss:.0f} dB."),
                advice="Invert the polarity of one channel.",
                amount=correlation,
            )
        ]
    if loss >= LOSS_NOTE_DB:
        return [
            Flag(
                code="mono-loss",
                severity="warning" if loss >= LOSS_WARNING_DB else "note",
                text=f"Summed to mono it loses {loss:.1f} dB.",
                advice="Listen in mono; narrow the sides if parts vanish.",
                amount=loss,
                unit="dB",
            )
        ]
    return []


def _band_correlation(stats: ChannelStats, low: float, high: float) -> float | None:
    """Correlation of the two channels in a band; None where the band is not heard."""
    power = _band_power(stats, low, high)
    if power.sum() < HEARD * stats.spectrum.sum() or power.min() < 1e-4 * power.max():
        return None
    inside = (stats.frequency >= low) & (stats.frequency < high)
    return float(stats.cross[inside].sum() / np.sqrt(power[0] * power[1]))


def _band_power(stats: ChannelStats, low: float, high: float) -> Float64Array:
    """Mean power of each channel in a band [shape=(channels,)]."""
    inside = (stats.frequency >= low) & (stats.frequency < high)
    return np.asarray(stats.spectrum[:, inside].sum(axis=1), dtype=np.float64)


def _bands(stats: ChannelStats) -> list[Flag]:
    flags = []
    for name, low, high in BANDS_HZ:
        correlation = _band_correlation(stats, low, high)
        limit = BASS_CORRELATION if name == BASS else LOW_CORRELATION
        if correlation is not None and correlation < limit:
            flags.append(
                Flag(
                    code="out-of-phase-band",
                    severity="warning" if name == BASS and correlation < INVERTED else "note",
                    text=f"The channels disagree in {name}: correlation {correlation:+.2f}.",
                    advice="Listen in mono; this range gets thin there.",
                    amount=correlation,
                )
            )
    return flags
