"""The level of a copy: of what it holds of the source, and of the file that was written.

The source's own figures hold for the copy where nothing but silence was cut off a long file. A click, a hiss
or a tag that was cut off may have made them, and on a short file the blocks of the gate, which are counted
from its first sample, fall otherwise: then what is left is measured (0.15 to 0.65 s for four minutes, most
of it for the peaks).

A gain moves the loudness by exactly its decibels, so that a copy at the source's rate needs no second
measurement of it. Peaks between samples do: dither and word length round them. Another rate needs both: it
puts the samples elsewhere and takes off what lies above half of it. So do peaks that are clipped.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile as sf

from analyzers.level.loudness import decibels, step_energies, summarise
from analyzers.model import Loudness
from analyzers.signal.samples import BLOCK_FRAMES, Floats, SampleArray, Signal, blocks_of
from analyzers.signal.truepeak import measure_peaks
from daemon.export.plan import CutPlan

UNHEARD_LU = 20.0  # samples so far below the programme lie below its gate (BS.1770-5: 10 LU), K-weighted, too
# Where the gate's blocks of 0.4 s fall, and which of them a quiet start fills in part, weighs up to 0.14 LU
# in music of 31 s (measured on written copies), and less the longer it is
SHORT_S = 55.0


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """What a copy holds of a source, as an array of samples (`analyzers.signal.samples.SampleArray`)."""

    samples: SampleArray
    plan: CutPlan

    @property
    def shape(self) -> tuple[int, ...]:
        return len(self), self.samples.shape[1]

    @property
    def ndim(self) -> int:
        return 2

    def __len__(self) -> int:
        return self.plan.pad_samples + self.plan.source_end - self.plan.source_start

    def __getitem__(self, part: slice | tuple[slice, int]) -> Floats:
        frames, *channel = part if isinstance(part, tuple) else (part,)
        first, last, _ = frames.indices(len(self))
        pad, move = self.plan.pad_samples, self.plan.source_start - self.plan.pad_samples
        silent = min(max(pad - first, 0), max(last - first, 0))
        inside = slice(max(first, pad) + move, max(last, first, pad) + move)
        block = self.samples[(inside, channel[0])] if channel else self.samples[inside]
        return np.pad(block, ((silent, 0), (0, 0))[: block.ndim]) if silent else block


@dataclass(frozen=True, slots=True, eq=False)
class _Written:
    """A file as an array of samples (`analyzers.signal.samples.SampleArray`); only what is cut is read."""

    file: sf.SoundFile

    @property
    def shape(self) -> tuple[int, ...]:
        return self.file.frames, self.file.channels

    @property
    def ndim(self) -> int:
        return 2

    def __len__(self) -> int:
        return int(self.file.frames)

    def __getitem__(self, part: slice | tuple[slice, int]) -> Floats:
        frames, channel = part if isinstance(part, tuple) else (part, None)
        first, last, _ = frames.indices(len(self))
        self.file.seek(first)
        block: Floats = self.file.read(max(last - first, 0), dtype="float32", always_2d=True)
        return np.nan_to_num(block if channel is None else block[:, channel], copy=False)


def before_gain(loudness: Loudness, signal: Signal, plan: CutPlan, *, whole: bool = True) -> Loudness:
    """The figures of what the copy holds of the source; `loudness`: the source's.

    `whole` : False where `signal` lacks what was cut off a copy before, so that it cannot be judged
    """
    frames = signal.frames
    if (plan.source_start, plan.source_end, plan.pad_samples) == (0, frames, 0) and whole:
        return loudness
    short = min(frames, plan.source_end - plan.source_start) < SHORT_S * signal.rate
    if whole and not short and not _heard(loudness, signal.samples, plan):
        return loudness
    held = _Cut(signal.samples, plan)
    return summarise(step_energies(held, signal.rate), measure_peaks(held))


def _heard(loudness: Loudness, samples: SampleArray, plan: CutPlan) -> bool:
    """Whether what is cut off can have made a figure of the source's."""
    if loudness.integrated_lufs is None:
        return True
    limit = 10 ** ((loudness.integrated_lufs - UNHEARD_LU) / 20)
    ends = (0, plan.source_start), (plan.source_end, len(samples))
    return any(
        np.abs(block).max() > limit for end in ends for block in blocks_of(samples, BLOCK_FRAMES, *end)
    )


def as_written(loudness: Loudness, path: Path, *, changed: bool) -> Loudness:
    """The figures of a written file; `loudness`: those of what it holds (`before_gain`) plus the gain.

    `changed` : by more than a gain
    """
    with sf.SoundFile(path) as file:
        written = _Written(file)
        peaks = measure_peaks(written)
        if changed:
            return summarise(step_energies(written, file.samplerate), peaks)
    return with_peaks(loudness, decibels(peaks.sample_peak), decibels(peaks.true_peak))


def with_peaks(loudness: Loudness, sample_dbfs: float | None, true_dbtp: float | None) -> Loudness:
    """The same figures with other peaks."""
    level = loudness.integrated_lufs
    return replace(
        loudness,
        sample_peak_dbfs=sample_dbfs,
        true_peak_dbtp=true_dbtp,
        peak_to_loudness_lu=None if level is None or true_dbtp is None else true_dbtp - level,
    )
