"""Features that several analyzers share, each computed once and on first use.

An analyzer takes a `Features` and reads what it needs; everything here is derived
from the signal alone, so an analyzer can be tested with any array.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from functools import cached_property

import numpy as np
import numpy.typing as npt

from analyzers.model import Options
from analyzers.signal.beside import asked
from analyzers.signal.channel_stats import ChannelStats, channel_stats
from analyzers.signal.mono import Mono, Samples, resampled
from analyzers.signal.onsets import Onsets, find_onsets
from analyzers.signal.samples import Signal
from analyzers.signal.spectrum import Spectrum
from analyzers.signal.truepeak import Peaks, measure_peaks
from analyzers.signal.voice import find_voice

ANALYSIS_RATES = (44100, 48000)
SLACK = 16  # frames by which a resampler may round its length up


class Features:
    """Lazily computed views of one `Signal`."""

    def __init__(self, signal: Signal, options: Options | None = None) -> None:
        if signal.samples.ndim != 2:
            raise ValueError(f"samples must have shape (frames, channels), got {signal.samples.shape}")
        self.signal = signal
        self.options = options or Options()
        self.chord_evidence: dict[tuple[float, bytes], npt.NDArray[np.float64]] = {}
        self._spectrum: Callable[[], Spectrum] | None = None
        self._voice: Callable[[], npt.NDArray[np.float32]] | None = None

    def begin_in(self, executor: Executor) -> None:
        """Have spectrum and voice worked out there, beside what is asked for until they are needed."""
        self._spectrum = asked(executor, Spectrum, self.mono, self.signal.rate)
        self._voice = asked(executor, find_voice, self.work, self.work_rate)

    @property
    def duration_s(self) -> float:
        return self.signal.duration_s

    @cached_property
    def mono(self) -> Mono:
        """Mix for analysis at the source's rate [shape=(frames,)], made where it is cut."""
        return Mono(self.signal.samples, self.channel_stats)

    @cached_property
    def work_rate(self) -> int:
        """Rate of `work` in Hz: the source's own when usual, else 44.1 or 48 kHz."""
        rate = self.signal.rate
        if rate in ANALYSIS_RATES:
            return rate
        return 44100 if rate % 11025 == 0 else 48000

    @cached_property
    def work(self) -> Samples:
        """`mono` at `work_rate`: time zero and instants unchanged [shape=(n,)]."""
        if self.work_rate == self.signal.rate:
            return self.mono
        out = np.empty(self.signal.frames * self.work_rate // self.signal.rate + SLACK, np.float32)
        length = 0
        for piece in resampled(self.mono, self.signal.rate, self.work_rate, "HQ"):
            out[length : length + len(piece)] = piece
            length += len(piece)
        return out[:length]

    @cached_property
    def spectrum(self) -> Spectrum:
        """Partials, notes and pitch classes, for tuning, key, chords, sections and bar lines."""
        return self._spectrum() if self._spectrum else Spectrum(self.mono, self.signal.rate)

    @cached_property
    def onsets(self) -> Onsets:
        """Onset strength, fine level curves and pitch-class frames of `work`."""
        return find_onsets(self.work, self.work_rate, lambda: self.spectrum.chroma)

    @cached_property
    def voice(self) -> npt.NDArray[np.float32]:
        """How likely a voice sounds, `analyzers.signal.voice.ANSWERS_A_SECOND` times a second."""
        return self._voice() if self._voice else find_voice(self.work, self.work_rate)

    @cached_property
    def channel_stats(self) -> ChannelStats:
        """Powers, offsets and likeness of the channels, for the mix and for channel faults."""
        return channel_stats(self.signal.samples, self.signal.rate)

    @cached_property
    def peaks(self) -> Peaks:
        """Sample and true peaks, for loudness, lead-in and channel faults."""
        return measure_peaks(self.signal.samples)
