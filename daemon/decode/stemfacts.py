"""Level and channel facts of one file among several."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyzers.health.faults import find_stem_faults
from analyzers.signal.channel_stats import ChannelStats, channel_stats
from analyzers.signal.samples import SampleArray, Signal, blocks_of
from analyzers.signal.truepeak import SamplePeaks, measure_sample_peaks
from daemon.decode.audiochecks import is_silent
from daemon.decode.audiofile import BLOCK, AudioFile
from daemon.decode.nulltest import NullTest

FIRST_SOUND_BELOW_PEAK_DB = 60.0
MONO_DIFFERENCE = 1e-4  # of the peak: -80 dB
OPPOSITE_CHANNELS = -0.9  # correlation of left and right


@dataclass(frozen=True, slots=True)
class Stem:
    """One file of a stem drop. Levels are None for digital silence."""

    name: str  # relative to the drop, fit to be shown
    path: Path
    role: str  # "stem"; "two-track", "copy" of another one: left out of the sum
    sha256: str
    frames: int  # in its own rate
    rate: int  # Hz
    channels: int
    subtype: str
    bit_depth: int | None
    lossy: bool
    peak_dbfs: float | None
    rms_dbfs: float | None
    silent: bool
    mono: bool  # one channel, or two equal ones
    first_sound_sample: int | None  # 60 dB below its own peak, in its own rate
    inverted: bool | None = None  # polarity against the mix; None: cannot be told
    notes: tuple[str, ...] = ()
    null: NullTest | None = None  # of a two-track against the sum of the stems
    lacks_s: float | None = None  # silence that its front seems to lack (`structure.trimmed_fronts`)

    @property
    def duration_s(self) -> float:
        return self.frames / self.rate


def describe(audio: AudioFile, name: str) -> Stem:
    """Level and channel facts of one file."""
    samples = audio.samples
    peaks = measure_sample_peaks(samples)
    peak = float(peaks.largest.max())
    return Stem(
        name=name,
        path=audio.path,
        role="stem",
        sha256=audio.sha256,
        frames=len(samples),
        rate=audio.rate,
        channels=samples.shape[1],
        subtype=audio.subtype,
        bit_depth=audio.bit_depth,
        lossy=audio.lossy,
        peak_dbfs=_decibels(peak),
        rms_dbfs=_decibels(_rms(samples)),
        silent=is_silent(samples),
        mono=samples.shape[1] == 1 or _same_channels(samples, peak),
        first_sound_sample=_first_sound(samples, peak * 10 ** (-FIRST_SOUND_BELOW_PEAK_DB / 20)),
        notes=_notes(audio, peaks),
    )


def _decibels(value: float) -> float | None:
    return 20 * float(np.log10(value)) if value > 0 else None


def _rms(samples: SampleArray) -> float:
    power = sum(float(np.dot(part, part)) for part in map(np.ravel, blocks_of(samples, BLOCK)))
    return float(np.sqrt(power / (len(samples) * samples.shape[1])))


def _same_channels(samples: SampleArray, peak: float) -> bool:
    limit = MONO_DIFFERENCE * peak
    return all(np.abs(block[:, 1:] - block[:, :1]).max() <= limit for block in blocks_of(samples, BLOCK))


def _first_sound(samples: SampleArray, threshold: float) -> int | None:
    for at in range(0, len(samples), BLOCK):
        loud = np.flatnonzero((np.abs(samples[at : at + BLOCK]) > threshold).any(axis=1))
        if len(loud):
            return at + int(loud[0])
    return None


def _notes(audio: AudioFile, peaks: SamplePeaks) -> tuple[str, ...]:
    stats = channel_stats(audio.samples, audio.rate)
    faults = find_stem_faults(Signal(audio.samples, audio.rate), peaks, stats, audio.bit_depth)
    said = [f"{flag.text[:1].lower()}{flag.text[1:].rstrip('.')}" for flag in faults]
    return (*said, *(["left and right are opposite: it disappears in mono"] if _opposite(stats) else []))


def _opposite(stats: ChannelStats) -> bool:
    """Whether left and right are each other's inverse."""
    product = stats.product.mean(axis=0)
    both = float(np.prod(stats.power)) if len(stats.power) == 2 else 0.0
    return both > 0 and float(product[0, 1]) / both**0.5 < OPPOSITE_CHANNELS
