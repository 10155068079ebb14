"""Signal health: what is wrong or peculiar with the channels, each with where, how much, what to do.

A fault that would spoil a take is a "warning"; what is good to know is a "note". A mastered track
that peaks over 0 dBTP is a note. The order of the flags is the order of the checks here.
"""

from __future__ import annotations

from analyzers.health.clicks import find_clicks
from analyzers.health.gaps import find_dropouts
from analyzers.health.level import find_clipping, judge_level, judge_offset, judge_peaks
from analyzers.health.noise import judge_noise
from analyzers.health.origin import judge_format, judge_lossy_origin
from analyzers.health.stereo import find_dead_channel, judge_channels
from analyzers.health.voice import judge_voice
from analyzers.model import Flag, LeadIn, Loudness
from analyzers.signal.channel_stats import ChannelStats
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.truepeak import SamplePeaks


def find_faults(features: Features, lead_in: LeadIn, loudness: Loudness) -> tuple[Flag, ...]:
    """All flags of one signal; none for digital silence."""
    signal, options, peaks = features.signal, features.options, features.peaks
    if peaks.sample_peak == 0.0:
        return ()
    stats = features.channel_stats
    return (
        *find_clipping(signal, peaks, options.bit_depth),
        *judge_peaks(signal, peaks),
        *judge_offset(stats),
        *judge_channels(signal, stats),
        *find_dropouts(signal, peaks),
        *find_clicks(signal, peaks, features.onsets),
        *judge_noise(features, lead_in),
        *judge_level(loudness),
        *judge_format(signal, options.bit_depth),
        *([] if options.lossy else judge_lossy_origin(stats, signal.rate)),
        *judge_voice(features, lead_in.first_sound_s),
    )


def find_stem_faults(
    signal: Signal, peaks: SamplePeaks, stats: ChannelStats, bit_depth: int | None
) -> tuple[Flag, ...]:
    """What spoils one stem and is not seen in the sum of all; warnings only, none for digital silence."""
    if not stats.power.any():
        return ()
    found = (*find_clipping(signal, peaks, bit_depth), *find_dead_channel(stats), *judge_offset(stats))
    return tuple(flag for flag in found if flag.severity == "warning")
