"""Several files of one beat: their sum for the analysis, and a line about each.

Convention: all stems share their first sample (common practice when stems are exported); a
shorter one is silent afterwards. A mono stem goes into both channels at full level, as a centred
track does. The sum is never normalised. A two-track lying beside its stems is recognised
(`daemon.decode.twotrack`) and left out of the sum.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from analyzers.signal.mono import resampled
from analyzers.signal.samples import SampleArray, blocks_of
from config.settings import Limits
from daemon.core.errors import ChangedWhileReading, UnreadableAudio
from daemon.core.text import file_name
from daemon.decode.audiochecks import is_silent
from daemon.decode.audiofile import BLOCK, AudioFile, open_sound, read_audio
from daemon.decode.headers import READABLE, recognise
from daemon.decode.identity import relative_name
from daemon.decode.nulltest import NullTest, null_test
from daemon.decode.safeopen import opened
from daemon.decode.spool import Collector, Scratch
from daemon.decode.twotrack import Windows, compare, hinted

FIRST_SOUND_BELOW_PEAK_DB = 60.0
MONO_DIFFERENCE = 1e-4  # of the peak: -80 dB
OPPOSITE_CHANNELS = -0.9  # correlation of left and right


@dataclass(frozen=True, slots=True)
class Stem:
    """One file of a stem drop. Levels are None for digital silence."""

    name: str  # relative to the drop, fit to be shown
    path: Path
    role: str  # "stem", "two-track" (left out of the sum)
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

    @property
    def duration_s(self) -> float:
        return self.frames / self.rate


@dataclass(frozen=True, slots=True, eq=False)
class StemSet:
    """What `read_stems` found. ``samples`` is the sum, float32 [shape=(frames, channels)]."""

    samples: SampleArray
    rate: int
    stems: tuple[Stem, ...]
    tags: dict[str, str]
    warnings: tuple[str, ...]


@dataclass(slots=True)
class _Sum:
    """A running sum of files at one rate."""

    rate: int
    scratch: Scratch
    samples: Any = field(default_factory=lambda: np.zeros((0, 1), np.float32))  # an array, or `Spooled`
    paths: set[Path] = field(default_factory=set)

    def add(self, path: Path, samples: SampleArray) -> None:
        frames = max(len(self.samples), len(samples))
        channels = max(self.samples.shape[1], samples.shape[1])
        if self.samples.shape != (frames, channels):
            wider = self._widened(frames, channels)
            self.scratch.release(self.samples)
            self.samples = wider
        for at in range(0, len(samples), BLOCK):
            block = samples[at : at + BLOCK]
            self.samples[at : at + len(block)] += block
        self.paths.add(path)

    def _widened(self, frames: int, channels: int) -> SampleArray:
        """The sum so far with more frames and channels; a mono sum spreads to all channels."""
        wider = Collector(self.scratch, channels, frames)
        for at in range(0, frames, BLOCK):
            room, block = wider.room(min(BLOCK, frames - at)), self.samples[at : at + BLOCK]
            room[: len(block)], room[len(block) :] = block, 0.0
            wider.take(room)
        return wider.done()


def read_stems(files: Sequence[Path], folder: Path, limits: Limits, scratch: Scratch) -> StemSet:
    """Read every file once, sum them at the most common rate, and compare them.

    Raises UnreadableAudio naming every file that cannot be read: a sum without one of its stems
    would be another beat.
    """
    declared = _probe(files, folder)
    rate = _most_common([rate for rate, _seconds in declared])
    seconds = max(min(seconds, limits.max_minutes * 60) for _rate, seconds in declared)
    total, windows = _Sum(rate, scratch), Windows(rate, seconds)
    stems: list[Stem] = []
    tags: dict[str, str] = {}
    warnings: list[str] = []
    for path in files:
        name = shown_relative(path, folder)
        with scratch.inner() as passing:
            audio = read_audio(path, limits, passing)
            stems.append(describe(audio, name))
            tags = audio.tags | tags
            warnings += [f"{name}: {text}" for text in audio.warnings]
            samples = at_rate(audio, rate, passing)
            del audio
            windows.take(samples)
            if not hinted(name):
                total.add(path, samples)
            del samples
    verdict = compare([stem.name for stem in stems], windows)
    judged = [
        replace(stem, role=role, inverted=inverted, notes=(*stem.notes, *notes))
        for stem, role, inverted, notes in zip(
            stems, verdict.roles, verdict.inverted, verdict.notes, strict=True
        )
    ]
    total = _complete(total, judged, limits)
    for k in [k for k, stem in enumerate(judged) if stem.role == "two-track"][:1]:
        judged[k] = replace(judged[k], null=_null(judged[k], verdict.late[k], total, limits))
    warnings += [*_difference_warnings(judged, rate), *verdict.warnings]
    return StemSet(total.samples, rate, tuple(judged), tags, tuple(warnings))


def shown_relative(path: Path, folder: Path) -> str:
    """Relative name with each part fit to be shown."""
    return "/".join(file_name(part) for part in relative_name(path, folder).split("/"))


def _probe(files: Sequence[Path], folder: Path) -> list[tuple[int, float]]:
    """Rate in Hz and declared length in seconds of all files, before any is decoded."""
    found, broken = [], []
    for path in files:
        name = shown_relative(path, folder)
        with opened(path) as file:
            content = recognise(file)
            if content.format not in READABLE:
                broken.append(f"{name}: {content.words}")
                continue
            try:
                with open_sound(file, name) as sound:
                    found.append((sound.samplerate, sound.frames / max(1, sound.samplerate)))
            except UnreadableAudio:
                broken.append(f"{name}: damaged")
    if broken:
        cause = f"{len(broken)} of {len(files)} stems cannot be decoded ({_listed(broken)})"
        raise UnreadableAudio(file_name(folder), cause, "ask the producer to send the stems again")
    return found


def _most_common(rates: Sequence[int]) -> int:
    """The most common rate; of equally common ones the higher."""
    return max(Counter(rates).items(), key=lambda item: (item[1], item[0]))[0]


def _complete(total: _Sum, stems: Sequence[Stem], limits: Limits) -> _Sum:
    """The sum of exactly the files whose role is "stem"; reads again only what is needed."""
    wanted = {stem.path for stem in stems if stem.role == "stem"}
    if total.paths - wanted:
        total = _Sum(total.rate, total.scratch)
    for stem in stems:
        if stem.path in wanted - total.paths:
            with total.scratch.inner() as passing:
                audio = read_audio(stem.path, limits, passing)
                if audio.sha256 != stem.sha256:
                    cause = "it changed while the stems were being read"
                    raise ChangedWhileReading(stem.name, cause, "it is done again once quiet")
                total.add(stem.path, at_rate(audio, total.rate, passing))
    return total


def _null(stem: Stem, late: int, total: _Sum, limits: Limits) -> NullTest | None:
    """A two-track against the sum of the stems; it is read once more for that."""
    with total.scratch.inner() as passing:
        bounce = at_rate(read_audio(stem.path, limits, passing), total.rate, passing)
        return null_test(bounce, total.samples, total.rate, late)


def at_rate(audio: AudioFile, rate: int, scratch: Scratch) -> SampleArray:
    """Samples at `rate` with time zero and instants unchanged [shape=(frames, channels)]."""
    if audio.rate == rate:
        return audio.samples
    frames, channels = audio.samples.shape
    converted = Collector(scratch, channels, frames * rate // audio.rate + BLOCK)
    for piece in resampled(audio.samples, audio.rate, rate, "HQ", channels):
        converted.append(piece)
    return converted.done()


def describe(audio: AudioFile, name: str) -> Stem:
    """Level and channel facts of one file."""
    samples = audio.samples
    peak = max(float(np.abs(block).max()) for block in blocks_of(samples, BLOCK))
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
        notes=_channel_notes(samples),
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


def _channel_notes(samples: SampleArray) -> tuple[str, ...]:
    if samples.shape[1] != 2:
        return ()
    products = np.zeros((2, 2))
    for block in blocks_of(samples, BLOCK):
        products += block.T @ block
    both = float(products[0, 0] * products[1, 1])
    if both and float(products[0, 1]) / both**0.5 < OPPOSITE_CHANNELS:
        return ("left and right are opposite: it disappears in mono",)
    return ()


def _difference_warnings(stems: Sequence[Stem], rate: int) -> list[str]:
    """Name the stems that do not share the rate or the length of the others."""
    found = []
    others = [f"{stem.name} ({stem.rate} Hz)" for stem in stems if stem.rate != rate]
    if others:
        found.append(
            f"Other sample rate than the rest ({rate} Hz): {_listed(others)}; converted for the sum."
        )
    lengths = [round(stem.duration_s, 3) for stem in stems]
    usual = max(Counter(lengths).items(), key=lambda item: (item[1], item[0]))[0]
    odd = [
        f"{stem.name} ({stem.duration_s:.3f} s)" for stem in stems if abs(stem.duration_s - usual) > 0.0015
    ]
    if odd:
        found.append(
            f"Other length than the rest ({usual:.3f} s): {_listed(odd)}; all are taken to start together."
        )
    silent = [stem.name for stem in stems if stem.silent]
    if silent:
        found.append(f"Silent: {_listed(silent)}.")
    opposed = [stem.name for stem in stems if stem.inverted]
    if opposed:
        found.append(f"Polarity looks inverted: {_listed(opposed)}; compare with it flipped.")
    return found


def _listed(names: Sequence[str], most: int = 8) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
