"""The level of a copy, measured on the file that was written.

A gain moves the loudness by exactly its decibels, so that a copy at the source's rate needs no second
measurement of it. Peaks between samples do: dither and word length round them. Another rate needs both: it
puts the samples elsewhere and takes off what lies above half of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile as sf

from analyzers.level.loudness import decibels, step_energies, summarise
from analyzers.model import Loudness
from analyzers.signal.samples import Floats
from analyzers.signal.truepeak import measure_peaks


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


def as_written(loudness: Loudness, path: Path, *, resampled: bool) -> Loudness:
    """The figures of a written file; `loudness`: the source's plus the gain."""
    with sf.SoundFile(path) as file:
        written = _Written(file)
        peaks = measure_peaks(written)
        if resampled:
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
