"""Several files of one beat: their sum for the analysis, and a line about each.

Convention: all stems share their first sample (common practice when stems are exported); a
shorter one is silent afterwards. A mono stem goes into both channels at full level, as a centred
track does. The sum is never normalised. A two-track lying beside its stems is recognised
(`daemon.decode.twotrack`) and left out of the sum; of a stem that is there twice one is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from analyzers.signal.mono import resampled
from analyzers.signal.samples import SampleArray
from analyzers.structure.stem_sets import SetVerdict, judge_set
from analyzers.structure.stem_traits import Traits, level_of, traits_of
from analyzers.structure.trimmed_fronts import Outline, lacking_fronts
from config.settings import Limits
from daemon.core.errors import ChangedWhileReading, UnreadableAudio
from daemon.core.text import file_name
from daemon.decode.audiofile import BLOCK, AudioFile, open_sound, read_audio
from daemon.decode.headers import READABLE, recognise
from daemon.decode.identity import relative_name
from daemon.decode.nulltest import NullTest, null_test
from daemon.decode.safeopen import opened
from daemon.decode.spool import Collector, Scratch
from daemon.decode.stemfacts import Stem, describe
from daemon.decode.twice import copies, same_as
from daemon.decode.twotrack import Windows, compare, hinted

__all__ = ["NotStems", "Stem", "StemSet", "at_rate", "describe", "read_stems", "shown_relative"]


@dataclass(frozen=True, slots=True, eq=False)
class StemSet:
    """What `read_stems` found. ``samples`` is the sum, float32 [shape=(frames, channels)]."""

    samples: SampleArray
    rate: int
    stems: tuple[Stem, ...]
    tags: dict[str, str]
    warnings: tuple[str, ...]


class NotStems(Exception):
    """Several files that are not, or not surely, the stems of one song. `verdict` is about `files`."""

    def __init__(self, verdict: SetVerdict, files: Sequence[Path]) -> None:
        super().__init__(verdict.kind)
        self.verdict = verdict
        self.files = tuple(files)


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

    def moved(self, path: Path, to: Path) -> None:
        """What was added from one file is also in another one, and counts as that."""
        if path in self.paths:
            self.paths = self.paths - {path} | {to}

    def _widened(self, frames: int, channels: int) -> SampleArray:
        """The sum so far with more frames and channels; a mono sum spreads to all channels."""
        wider = Collector(self.scratch, channels, frames)
        for at in range(0, frames, BLOCK):
            room, block = wider.room(min(BLOCK, frames - at)), self.samples[at : at + BLOCK]
            room[: len(block)], room[len(block) :] = block, 0.0
            wider.take(room)
        return wider.done()


def read_stems(
    files: Sequence[Path], folder: Path, limits: Limits, scratch: Scratch, judge: bool = False
) -> StemSet:
    """Read every file once, sum them at the most common rate, and compare them.

    Raises UnreadableAudio naming every file that cannot be read: a sum without one of its stems
    would be another beat. With `judge` NotStems comes first, when what can be read shows that the files are
    not the stems of one song, or does not show that they are.
    """
    declared, broken = _probe(files, folder)
    if broken and not (judge and declared):
        raise _unreadable(broken, files, folder)
    files = [path for path in files if path in declared]
    rate = _most_common([rate for rate, _seconds in declared.values()])
    seconds = max(min(seconds, limits.max_minutes * 60) for _rate, seconds in declared.values())
    total, windows = _Sum(rate, scratch), Windows(rate, seconds)
    stems: list[Stem] = []
    traits: list[Traits] = []
    tags: dict[str, str] = {}
    warnings: list[str] = []
    outlines: list[Outline] = []
    first: list[int | None] = []  # of each the earlier one that it is the same as
    for path in files:
        name = shown_relative(path, folder)
        with scratch.inner() as passing:
            audio = read_audio(path, limits, passing)
            stem = describe(audio, name)
            first.append(same_as(stem, audio.samples, stems, limits, passing))
            stems.append(stem)
            tags = audio.tags | tags
            warnings += [f"{name}: {text}" for text in audio.warnings]
            samples = at_rate(audio, rate, passing)
            del audio
            windows.take(samples)
            outlines.append(_outline(stem, samples, rate))
            if judge:
                traits.append(traits_of(samples, rate, seconds))
            if first[-1] is None and not hinted(name):
                total.add(path, samples)
            del samples
    verdict = compare([stem.name for stem in stems], windows)
    if judge:
        found = judge_set(traits, verdict.likeness, verdict.roles)
        if found.kind not in ("stems", "one mix"):
            raise NotStems(found, files)
        if broken:
            raise _unreadable(broken, [*files, *broken], folder)
    same = copies(stems, first)
    stays = [k for k in range(len(stems)) if k not in same]
    if len(stays) == 1:  # one beat, several times: versions of it
        same, stays = {}, list(range(len(stems)))
    if same:
        verdict = compare([stems[k].name for k in stays], windows.only(stays))
    judged = [replace(stem, role="copy") for stem in stems]
    for k, role, inverted, notes in zip(stays, verdict.roles, verdict.inverted, verdict.notes, strict=True):
        notes = (*(stems[k].notes if role == "stem" else ()), *notes)
        judged[k] = replace(stems[k], role=role, inverted=inverted, notes=notes)
    for k, at in same.items():
        total.moved(stems[k].path, stems[at].path)
        warnings.append(f"{stems[k].name} is the same as {stems[at].name}: used once.")
    summed = [k for k, stem in enumerate(judged) if stem.role == "stem"]
    for k, lacks_s in zip(summed, lacking_fronts([outlines[k] for k in summed]), strict=True):
        judged[k] = replace(judged[k], lacks_s=lacks_s)
    total = _complete(total, judged, limits)
    mixes = [(k, late) for k, late in zip(stays, verdict.late, strict=True) if judged[k].role == "two-track"]
    for k, late in mixes[:1]:
        judged[k] = replace(judged[k], null=_null(judged[k], late, total, limits))
    warnings += [*_difference_warnings(judged, rate), *verdict.warnings]
    return StemSet(total.samples, rate, tuple(judged), tags, tuple(warnings))


def _outline(stem: Stem, samples: SampleArray, rate: int) -> Outline:
    first = stem.first_sound_sample
    return Outline(level_of(samples, rate), stem.duration_s, None if first is None else first / stem.rate)


def shown_relative(path: Path, folder: Path) -> str:
    """Relative name with each part fit to be shown."""
    return "/".join(file_name(part) for part in relative_name(path, folder).split("/"))


def _probe(files: Sequence[Path], folder: Path) -> tuple[dict[Path, tuple[int, float]], list[str]]:
    """Rate in Hz and declared length in seconds of all files, before any is decoded; what cannot be read."""
    found: dict[Path, tuple[int, float]] = {}
    broken: list[str] = []
    for path in files:
        name = shown_relative(path, folder)
        with opened(path) as file:
            content = recognise(file)
            if content.format not in READABLE:
                broken.append(f"{name}: {content.words}")
                continue
            try:
                with open_sound(file, name) as sound:
                    found[path] = sound.samplerate, sound.frames / max(1, sound.samplerate)
            except UnreadableAudio:
                broken.append(f"{name}: damaged")
    return found, broken


def _unreadable(broken: Sequence[str], files: Sequence[object], folder: Path) -> UnreadableAudio:
    cause = f"{len(broken)} of {len(files)} stems cannot be decoded ({_listed(broken)})"
    return UnreadableAudio(file_name(folder), cause, "ask the producer to send the stems again")


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
    odd = [stem for stem in stems if abs(stem.duration_s - usual) > 0.0015]
    if odd and not any(stem.lacks_s for stem in stems):
        rest = len(odd) <= len(stems) / 2  # else there is no usual length
        told = [f"{stem.name} ({stem.duration_s:.3f} s)" for stem in (odd if rest else stems)]
        what = f"Other length than the rest ({usual:.3f} s)" if rest else "They differ in length"
        found.append(f"{what}: {_listed(told)}; all are taken to start together.")
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
