"""Partials, notes, pitch classes: the one spectral pass that tuning, key, chords, sections, bar lines share.

The signal is brought to 11 025 Hz and cut into overlapping Hann frames; for the bass, where notes need
1.3 Hz bins, to a quarter of that rate and into frames that last twice as long. Only spectral peaks that stand
out of their surroundings are kept, each with its interpolated frequency, so that noise and drums
leave little and a tone is placed to about a cent. Frame k is centred on second ``k / frame_rate_hz``.

Sources: quadratic interpolation of log-magnitude peaks, J. O. Smith, "Spectral Audio Signal
Processing" (2011); equal temperament f = 440 * 2**((m - 69) / 12), MIDI note m, ISO 16:1975.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import scipy.fft
import soxr
from scipy.ndimage import median_filter, uniform_filter1d

from analyzers.signal.mono import Samples, framed, resampled

Floats = npt.NDArray[np.float32]

RATE_HZ = 11025
HOP = 1024  # 92.9 ms
FRAME_RATE_HZ = RATE_HZ / HOP
TREBLE_WINDOW, TREBLE_AROUND = 4096, 32  # samples; bins of a peak's neighbourhood
BASS_RATE_HZ = RATE_HZ / 4
BASS_WINDOW, BASS_AROUND = 2048, 64
CHROMA_RATE_HZ = 2 * FRAME_RATE_HZ
CHROMA_HZ, CHROMA_SPLIT_HZ = (40.0, 2000.0), 200.0
A4_HZ, A4_NOTE = 440.0, 69  # ISO 16:1975; MIDI note number 69
LOWEST_NOTE, NOTES = 24, 84  # C1 (32.7 Hz) to B7
SPLIT_NOTE = 48  # C3: below it the long window is read
PEAK_ABOVE_SURROUNDINGS = 2.0  # a peak's magnitude over the mean of its neighbourhood
PEAK_BELOW_LOUDEST = 10 ** (-55 / 20)  # and relative to the loudest frame's peak
BANDS = 12
_BLOCK_FRAMES = 32


@dataclass(frozen=True, slots=True, eq=False)
class Partials:
    """Spectral peaks, sorted by frame: ``frame`` int32, ``hz`` and ``magnitude`` float32, all [shape=(n,)].

    ``magnitude`` is that of a full-scale sine = 1.
    """

    frame: npt.NDArray[np.int32]
    hz: Floats
    magnitude: Floats


class Spectrum:
    """Partials of one signal, the notes they make under a given tuning, and its pitch classes.

    ``chroma`` is the pitch-class magnitude below and above 200 Hz at the standard tuning, frame k centred on
    second ``k / CHROMA_RATE_HZ`` [shape=(24, frames)], each frame's halves normalised to their sums.
    """

    def __init__(self, mono: Samples, rate: int) -> None:
        split = note_hz(SPLIT_NOTE - 0.5)
        treble = _PeakPicker(RATE_HZ, TREBLE_WINDOW, (split * 0.75, 4200.0), TREBLE_AROUND)
        weights, loudest, chroma = _chroma_weights(), 0.0, []
        low: list[Floats] = []
        pieces = _with_low(resampled(mono, rate, RATE_HZ, "MQ"), low)
        for first, frames in framed(pieces, TREBLE_WINDOW, HOP // 2):
            fresh = frames[:, TREBLE_WINDOW // 2 :][:, : HOP // 2]
            loudest = max(loudest, float(fresh.max()), -float(fresh.min()))
            bins, every_other = treble.transform(frames), slice(first % 2, None, 2)
            chroma.append((np.abs(bins[:, : len(weights)]) @ weights).T)
            treble.look((first + 1) // 2, bins[every_other], PEAK_BELOW_LOUDEST * loudest)
        self.chroma = _of_frame_sum(np.concatenate(chroma, axis=1))
        self.frames = (self.chroma.shape[1] - 1) // 2 + 1
        self.treble = treble.found(self.frames, PEAK_BELOW_LOUDEST * loudest)
        bass = _PeakPicker(BASS_RATE_HZ, BASS_WINDOW, (27.0, split), BASS_AROUND)
        for first, frames in framed(low, BASS_WINDOW, round(HOP * BASS_RATE_HZ / RATE_HZ)):
            bass.look(first, bass.transform(frames), PEAK_BELOW_LOUDEST * loudest)
        self.bass = bass.found(self.frames, PEAK_BELOW_LOUDEST * loudest)
        self._notes: dict[float, Floats] = {}
        self._steady: dict[float, Floats] = {}
        self.bands_db = _band_levels(mono, rate, self.frames)

    def notes(self, cents: float) -> Floats:
        """Magnitude of each note when A4 lies ``cents`` above 440 Hz [shape=(frames, NOTES)].

        A partial counts fully on the note's frequency and not at all half a semitone off it.
        Column i is MIDI note ``LOWEST_NOTE + i``.
        """
        key = round(cents, 1)
        if key not in self._notes:
            low = _place(self.bass, self.frames, cents, 0, SPLIT_NOTE - LOWEST_NOTE)
            high = _place(self.treble, self.frames, cents, SPLIT_NOTE - LOWEST_NOTE, NOTES)
            self._notes = {key: np.hstack((low, high))}
        return self._notes[key]

    def steady_notes(self, cents: float) -> Floats:
        """`notes` with what does not last half a second turned down [shape=(frames, NOTES)].

        The running median over time leaves held notes and drops drum hits (the harmonic half of
        Fitzgerald, DAFx 2010); a third of the rest is kept, so that short notes still count.
        """
        key = round(cents, 1)
        if key not in self._steady:
            notes = self.notes(cents)
            held = median_filter(notes, size=(5, 1), mode="nearest")
            self._steady = {key: np.minimum(notes, held) * np.float32(2 / 3) + notes * np.float32(1 / 3)}
        return self._steady[key]


def _band_levels(mono: Samples, rate: int, count: int) -> Floats:
    """Level in dB of twelve bands, 40 Hz to 16 kHz, of the full-band signal [shape=(count, BANDS)].

    Windows as long as the step between frames: what the arrangement is made of, not the notes.
    """
    size = round(rate / FRAME_RATE_HZ)
    cuts = np.minimum(np.rint(np.geomspace(40.0, 16000.0, BANDS + 1) * size / rate), size // 2 + 1).astype(
        int
    )
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    window *= 2.0 / float(window.sum())
    weights = np.zeros((2 * int(cuts[-1]), BANDS), np.float32)  # of the squares of real and imaginary parts
    for band, (low, high) in enumerate(pairwise(cuts)):
        weights[2 * low : 2 * high, band] = 1.0
    centres = np.rint(np.arange(count) * (rate / FRAME_RATE_HZ)).astype(int)
    out = np.zeros((count, BANDS), np.float32)
    for first in range(0, count, _BLOCK_FRAMES):
        at = centres[first : first + _BLOCK_FRAMES]
        piece = _padded(mono, int(at[0]) - size // 2, int(at[-1]) - size // 2 + size)
        block = np.lib.stride_tricks.sliding_window_view(piece, size)[at - at[0]] * window
        parts = scipy.fft.rfft(block, axis=1).view(np.float32)[:, : len(weights)]
        out[first : first + len(block)] = np.square(parts) @ weights
    return np.asarray(10 * np.log10(out + 1e-12), np.float32)


def _padded(x: Samples, start: int, stop: int) -> Floats:
    """The samples from `start` to `stop`, zeros outside the signal."""
    inside = x[max(start, 0) : max(min(stop, len(x)), 0)]
    before = max(-start, 0)
    return np.pad(inside, (before, stop - start - before - len(inside)))


def note_hz(note: float) -> float:
    """Frequency of a MIDI note, fractions allowed: A4 = 440 Hz (ISO 16) is note 69 (MIDI tuning)."""
    return float(A4_HZ * 2.0 ** ((note - A4_NOTE) / 12))


def midi_note(hz: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
    """MIDI notes (with fractions) of frequencies above 0 Hz; the inverse of `note_hz`."""
    return np.asarray(12 * (np.log2(hz) - np.log2(A4_HZ)) + A4_NOTE)


def _with_low(pieces: Iterable[Floats], low: list[Floats]) -> Iterator[Floats]:
    """The pieces of a signal at `RATE_HZ`, passed on; `low` gets the same signal at `BASS_RATE_HZ`."""
    stream = soxr.ResampleStream(RATE_HZ, BASS_RATE_HZ, 1, dtype="float32", quality="MQ")
    for piece in pieces:
        low.append(stream.resample_chunk(piece))
        yield piece
    low.append(stream.resample_chunk(np.zeros(0, np.float32), last=True))


class _PeakPicker:
    """Collects the partials of one window length, frames in blocks."""

    def __init__(self, rate_hz: float, size: int, band_hz: tuple[float, float], around: int) -> None:
        window = np.hanning(size + 1)[:-1].astype(np.float32)
        self.window = window * np.float32(2.0 / float(window.sum()))
        self.bin_hz, self.around = rate_hz / size, around
        low, high = (int(f / self.bin_hz) for f in band_hz)
        self.first_bin, self.last_bin = max(low - 1, 0), high + 2
        self.parts: list[tuple[npt.NDArray[np.int32], Floats, Floats, Floats]] = []

    def transform(self, frames: Floats) -> npt.NDArray[np.complex64]:
        """Spectra of frames [shape=(n, size)] in which a full-scale sine has magnitude 1."""
        return np.asarray(scipy.fft.rfft(frames * self.window, axis=1))

    def look(self, first: int, spectra: npt.NDArray[np.complex64], floor: float) -> None:
        """Peaks above `floor` of the spectra of frames that begin with number `first`."""
        mag = np.abs(spectra[:, self.first_bin : self.last_bin])
        around = uniform_filter1d(mag, self.around, axis=1, mode="nearest")
        mid = mag[:, 1:-1]
        is_peak = (mid > mag[:, :-2]) & (mid >= mag[:, 2:]) & (mid > floor)
        is_peak &= mid > PEAK_ABOVE_SURROUNDINGS * around[:, 1:-1]
        row, col = np.divmod(np.flatnonzero(is_peak), is_peak.shape[1])
        left, centre, right = (np.log(mag[row, col + k] + 1e-12) for k in range(3))
        shift = 0.5 * (left - right) / np.minimum(left - 2 * centre + right, -1e-6)
        hz = (self.first_bin + 1 + col + shift) * self.bin_hz
        height = np.exp(centre - 0.25 * (left - right) * shift)
        frame = (row + first).astype(np.int32)
        self.parts.append((frame, hz.astype(np.float32), height.astype(np.float32), mid[row, col]))

    def found(self, frames: int, floor: float) -> Partials:
        """All of them in so many frames, without those that the loudest frame leaves below `floor`."""
        frame, hz, height, mid = (np.concatenate(parts) for parts in zip(*self.parts, strict=True))
        kept = (mid > floor) & (frame < frames)
        return Partials(frame[kept], hz[kept], height[kept])


def _place(partials: Partials, frames: int, cents: float, first: int, last: int) -> Floats:
    """Columns ``first`` to ``last`` (exclusive) of the note picture."""
    note = midi_note(partials.hz) - cents / 100 - LOWEST_NOTE
    nearest = np.rint(note).astype(np.int64)
    weight = partials.magnitude * np.cos(np.pi * (note - nearest)) ** 2
    inside = (nearest >= first) & (nearest < last)
    cell = partials.frame[inside].astype(np.int64) * (last - first) + nearest[inside] - first
    flat = np.bincount(cell, weights=weight[inside], minlength=frames * (last - first))
    return flat.reshape(frames, last - first).astype(np.float32)


def _of_frame_sum(chroma: Floats) -> Floats:
    """Each half of each frame over its sum, in place; what is far below the loudest frame stays small."""
    for part in (chroma[:12], chroma[12:]):
        total = part.sum(axis=0)
        part /= np.maximum(total, max(float(total.max()) * 1e-3, 1e-12))
    return chroma


@cache
def _chroma_weights() -> Floats:
    """How much of a treble bin belongs to which pitch class, low ones first [shape=(bins, 24)]."""
    hz = np.arange(int(CHROMA_HZ[1] * TREBLE_WINDOW / RATE_HZ) + 1) * RATE_HZ / TREBLE_WINDOW
    out = np.zeros((len(hz), 24), np.float32)
    for k, f in enumerate(hz):
        if f < CHROMA_HZ[0]:
            continue
        note = A4_NOTE + 12 * np.log2(f / A4_HZ)
        near, high = round(note), f > CHROMA_SPLIT_HZ
        closeness = max(0.0, 1.0 - 2.0 * abs(note - near)) if high else 1.0 - abs(note - near)
        out[k, near % 12 + 12 * high] = closeness
    return out
