"""From what was dropped to samples and facts: `decode(path)`.

Convention: time zero is the first sample that libsndfile returns for the file (for stems: the one
that all of them share). The signal is float32, never normalised; the original is only read.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

from analyzers.signal.samples import Signal
from config.settings import DEFAULT_IGNORE, Limits
from daemon.core.errors import ChangedWhileReading, EmptyDrop, SeveralBeats, TooLong
from daemon.core.text import file_name
from daemon.decode.archives import extract
from daemon.decode.audiochecks import require_length, require_sound
from daemon.decode.audiofile import AudioFile, content_of, read_audio
from daemon.decode.headers import AUDIO_NAMES, READABLE
from daemon.decode.identity import combined_hash, is_folder, member_states, members, relative_name
from daemon.decode.safeopen import hash_open, opened
from daemon.decode.several import Answer, apart, judged_as
from daemon.decode.spool import Scratch
from daemon.decode.stems import NotStems, Stem, StemSet, read_stems, shown_relative
from daemon.decode.tags import INNER_NAME, claims

TAGGED = re.compile(r"(?<!un)(?<!no)(?<!no[ _-])tag", re.I)  # a spoken tag is laid over it


@dataclass(frozen=True, slots=True)
class Source:
    """Facts about what was dropped; they go into the report."""

    name: str  # file or folder name, fit to be shown (`daemon.core.text.file_name`)
    producer: str | None  # sub-folder of incoming, if any
    sha256: str  # of the drop's bytes
    bytes: int
    format: str  # "WAV", "AIFF", "FLAC", "OGG", "MP3", ... or "stems"
    subtype: str  # libsndfile's, "PCM_24"
    rate: int  # Hz
    channels: int
    frames: int
    bit_depth: int | None  # word length of integer PCM; None for float and lossy
    lossy: bool
    tags: dict[str, str]
    warnings: tuple[str, ...]  # whole sentences for the report
    pack: str | None = None  # folder or zip of several beats that it came in
    other_mixes: tuple[str, ...] = ()  # files of that pack that are other mixes of this beat
    start_doubted: bool = False  # a sum of stems that may not belong together where they start


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """A drop ready for analysis.

    ``path`` is the audio file to copy from; with ``stems`` it is their folder and the signal is
    the sum of those whose role is "stem".
    """

    source: Source
    signal: Signal
    path: Path
    stems: tuple[Stem, ...] = ()


def decode(
    path: Path,
    *,
    limits: Limits,
    ignore: tuple[str, ...] = DEFAULT_IGNORE,
    producer: str | None = None,
    scratch: Scratch | None = None,
    several: Answer | None = "stems",
    inner: str | None = None,
) -> Decoded:
    """Read a drop completely.

    Parameters
    ----------
    path : an audio file, a folder of stems, or a zip of either
    limits : what is refused as too long, too big, too short
    ignore : names in a folder or zip that do not count (``arrival.ignore``)
    producer : name of the sub-folder it lay in, for the report
    scratch : where a zip is extracted and a long signal lies; it must outlive the copies. Without
        one a zip is gone on return: enough to analyse, not to copy; and every signal is in memory.
    several : what several files in a folder or zip are: the "stems" of one beat, or "beats"; None: judged
        by content, which may raise SeveralBeats
    inner : of a zip of several beats, the one meant, by its path inside

    Raises
    ------
    DropError : the drop cannot be used; subject, cause and next step say what to do
    MachineError : trouble of the machine, or the drop changed or went away; try again later
    """
    if scratch is None:
        with Scratch(most_in_memory=math.inf) as private:
            return decode(
                path,
                limits=limits,
                ignore=ignore,
                producer=producer,
                scratch=private,
                several=several,
                inner=inner,
            )
    if inner is not None:
        return _member(path, inner, producer, limits, ignore, scratch)
    if is_folder(path):
        return _folder(path, file_name(path), producer, limits, ignore, scratch, several)
    if content_of(path).format != "ZIP":
        return _single(read_audio(path, limits, scratch), file_name(path), producer, limits)
    return _zip(path, producer, limits, ignore, scratch, several)


def _member(
    path: Path, inner: str, producer: str | None, limits: Limits, ignore: tuple[str, ...], scratch: Scratch
) -> Decoded:
    """One file of a zip of several beats; identity is that of its own bytes."""
    file = extract(path, scratch.folder, limits, ignore, only=inner).folder / inner
    return _single(read_audio(file, limits, scratch), file_name(inner), producer, limits)


def _single(audio: AudioFile, name: str, producer: str | None, limits: Limits) -> Decoded:
    frames, channels = audio.samples.shape
    short = require_length(name, frames, audio.rate, limits)
    require_sound(name, audio.samples)
    source = Source(
        name=name,
        producer=producer,
        sha256=audio.sha256,
        bytes=audio.bytes,
        format=audio.format,
        subtype=audio.subtype,
        rate=audio.rate,
        channels=channels,
        frames=frames,
        bit_depth=audio.bit_depth,
        lossy=audio.lossy,
        tags=audio.tags,
        warnings=(*audio.warnings, *short),
    )
    return Decoded(source, Signal(audio.samples, audio.rate), audio.path)


def _zip(
    path: Path,
    producer: str | None,
    limits: Limits,
    ignore: tuple[str, ...],
    scratch: Scratch,
    several: Answer | None,
) -> Decoded:
    """Unpack into the private folder and go on as with a folder; identity is the zip's own bytes."""
    unpacked = extract(path, scratch.folder, limits, ignore)
    try:
        decoded = _folder(unpacked.folder, file_name(path), producer, limits, ignore, scratch, several)
    except SeveralBeats as error:
        error.sha256 = unpacked.sha256
        raise
    warnings = (*unpacked.warnings, *decoded.source.warnings)
    facts = replace(decoded.source, sha256=unpacked.sha256, bytes=unpacked.bytes, warnings=warnings)
    return replace(decoded, source=facts)


def _folder(
    folder: Path,
    name: str,
    producer: str | None,
    limits: Limits,
    ignore: tuple[str, ...],
    scratch: Scratch,
    several: Answer | None,
) -> Decoded:
    before = member_states(folder, ignore)
    files, refused = members(folder, ignore)
    audio = [file for file in files if _is_audio(file)]
    if not audio:
        raise EmptyDrop(name, "there is no audio in it", "ask the producer for the beat or its stems")
    if len(audio) > 1:
        several = judged_as(folder, several)
        if several == "beats":
            raise apart(name, folder, audio)
    if len(audio) > limits.max_stems:
        _require_pack(audio, folder, name, limits, scratch, several)
    if len(audio) == 1:
        single = read_audio(audio[0], limits, scratch)
        decoded, hashes = _single(single, name, producer, limits), {audio[0]: single.sha256}
    else:
        try:
            found = read_stems(audio, folder, limits, scratch, judge=several is None)
        except NotStems as several_beats:
            raise apart(name, folder, audio, several_beats) from several_beats
        decoded = _from_stems(found, folder, name, producer, limits, scratch)
        hashes = {stem.path: stem.sha256 for stem in found.stems}
    others = [file for file in files if file not in hashes]
    for file in others:
        with opened(file) as stream:
            hashes[file] = hash_open(stream)[0]
    if member_states(folder, ignore) != before:
        raise ChangedWhileReading(name, "it changed while it was being read", "it is done again once quiet")
    notes = [*_left_out("Not audio", others, folder), *_left_out("Links or special files", refused, folder)]
    facts = replace(
        decoded.source,
        sha256=combined_hash((relative_name(file, folder), value) for file, value in hashes.items()),
        bytes=sum(entry.size for entry in before),
        tags=_claiming_name(audio) | decoded.source.tags,
        warnings=(*notes, *decoded.source.warnings),
    )
    return replace(decoded, source=facts)


def _require_pack(
    audio: list[Path], folder: Path, name: str, limits: Limits, scratch: Scratch, several: Answer | None
) -> None:
    """More files than stems may be: raise SeveralBeats when they are separate beats, else TooLong.

    Told by as many of them as stems may be, spread evenly.
    """
    if several is None:
        some = [audio[k * len(audio) // limits.max_stems] for k in range(limits.max_stems)]
        try:
            with scratch.inner() as passing:
                read_stems(some, folder, limits, passing, judge=True)
        except NotStems as several_beats:
            raise apart(name, folder, audio, several_beats) from several_beats
    cause = f"{len(audio)} audio files, more than limits.max_stems = {limits.max_stems}"
    raise TooLong(name, cause, "drop the stems of one beat at a time")


def _left_out(what: str, files: list[Path], folder: Path) -> list[str]:
    names = ", ".join(shown_relative(file, folder) for file in files[:8]) + (" ..." if len(files) > 8 else "")
    return [f"{what}, left out: {names}."] if files else []


def _claiming_name(files: list[Path]) -> dict[str, str]:
    """The first file name in a folder or zip that says a tempo or key, as a tag, if none contradicts.

    Stems may be named after the samples in them, with tempi that are not the beat's.
    """
    said = {file.name: claims(file.name, {}) for file in files}
    values = {(claim.question, claim.value) for found in said.values() for claim in found}
    if len(values) != len({question for question, _value in values}):
        return {}
    best = max(said, key=lambda name: len(said[name]))
    return {INNER_NAME: file_name(best)} if said[best] else {}


def _is_audio(path: Path) -> bool:
    """By content; a file that is only named like audio counts, so that no stem is missing unsaid."""
    return content_of(path).format in READABLE or path.suffix.lower().lstrip(".") in AUDIO_NAMES


def _from_stems(
    found: StemSet, folder: Path, name: str, producer: str | None, limits: Limits, scratch: Scratch
) -> Decoded:
    if {stem.role for stem in found.stems} <= {"version", "copy"}:
        return _best_version(found, name, producer, limits, scratch)
    summed = [stem for stem in found.stems if stem.role == "stem"]
    frames, channels = found.samples.shape
    short = require_length(name, frames, found.rate, limits)
    require_sound(name, found.samples)
    subtypes = {stem.subtype for stem in summed}
    source = Source(
        name=name,
        producer=producer,
        sha256="",  # of the folder: known when all of it was read
        bytes=0,
        format="stems",
        subtype=subtypes.pop() if len(subtypes) == 1 else "mixed",
        rate=found.rate,
        channels=channels,
        frames=frames,
        bit_depth=None,
        lossy=any(stem.lossy for stem in summed),
        tags=found.tags,
        warnings=(*found.warnings, *short),
        start_doubted=any(stem.lacks_s for stem in found.stems),
    )
    return Decoded(source, Signal(found.samples, found.rate), folder, found.stems)


def _best_version(
    found: StemSet, name: str, producer: str | None, limits: Limits, scratch: Scratch
) -> Decoded:
    """One beat in several files (WAV beside MP3): the untagged, lossless, finest, longest one is used."""

    def worth(stem: Stem) -> tuple[float, ...]:
        return not TAGGED.search(stem.name), not stem.lossy, stem.rate, stem.bit_depth or 32, stem.frames

    best = max(found.stems, key=worth)
    decoded = _single(read_audio(best.path, limits, scratch), name, producer, limits)
    if decoded.source.sha256 != best.sha256:
        raise ChangedWhileReading(name, "it changed while it was being read", "it is done again once quiet")
    others = ", ".join(stem.name for stem in found.stems if stem is not best)
    note = f"The same beat in several files: {best.name} was used, left out: {others}."
    return replace(decoded, source=replace(decoded.source, warnings=(note, *decoded.source.warnings)))
