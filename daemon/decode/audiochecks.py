"""What is wrong with one audio file, in whole sentences, or as the error that rejects it.

A warning goes into the report beside the answers; a `require_*` raises with the next step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analyzers.signal.samples import SampleArray, blocks_of
from config.settings import Limits
from daemon.core.errors import EmptyDrop, TooLong, TooShort
from daemon.core.text import file_name
from daemon.decode.headers import EXTENSIONS, Content, Extent

BLOCK = 32768  # frames looked at at once
FULL_ANALYSIS_S = 10.0  # shorter: some questions cannot be answered
MP3_DELAY = 1105  # samples: the usual encoder's 576 and the decoder's 529
AAC_MORE = 1088  # samples: encoders that put 2112 in front, less the frame that is removed
MP3_MOST_BITS_S = 450_000  # the format's highest rate is 320 kbit/s; the rest is for tags
ABSURD = 2.0**32  # larger samples are damage; integers written as float are smaller
SILENCE = 1e-4  # half the peak-to-peak range: -80 dBFS, what dither alone reaches
SEND_AGAIN = "ask the producer to bounce and send it again"
PLAINLY = {  # libsndfile's own words for it
    "Supported file format but file is malformed": "it is damaged, or was not written to its end",
    "Supported file format but unsupported encoding": "its audio is packed in a way that is not read here",
    "File contains data in an unimplemented format": "its audio is packed in a way that is not read here",
}


def plain_cause(text: str) -> str:
    """What the decoder says on opening, in words for a person."""
    return PLAINLY.get(text, f"the decoder cannot open it ({text[:120]})")


@dataclass(frozen=True, slots=True)
class Decoding:
    """What the decoder said about one file."""

    subtype: str
    rate: int
    declared: int | None  # frames that the header states; None: it states none
    guessed: bool  # the decoder stopped where it had guessed the end
    damage: bool  # the decoder reported an error
    tags: dict[str, str]
    invalid: int  # samples that were no valid number


def require_size(name: str, size: int, limits: Limits) -> None:
    """Raise EmptyDrop or TooLong by the size in bytes alone."""
    if size == 0:
        raise EmptyDrop(name, "the file holds no bytes", SEND_AGAIN)
    if size > limits.max_file_mb * 1e6:
        cause = f"{size / 1e6:.0f} MB, more than limits.max_file_mb = {limits.max_file_mb:g}"
        raise TooLong(name, cause, "raise the limit if a file of this size is meant")


def name_warnings(path: Path, content: Content) -> list[str]:
    """Does the extension say something else than the content?"""
    extension = path.suffix.lower().lstrip(".")
    if extension in EXTENSIONS.get(content.format or "", ()):
        return []
    named = f"named .{file_name(extension)}" if extension else "named without an extension"
    return [f"The file is {named} but is {content.words} inside; it was read as what it is."]


def length_warnings(content: Content, extent: Extent, info: Decoding, frames: int) -> list[str]:
    """Is there less than the header says, and is the start where it should be?"""
    found = []
    seconds = frames / info.rate
    if extent.missing_bytes > 1:
        share = extent.missing_bytes / max(1, extent.declared_bytes or 1)
        found.append(
            f"Cut off: the header declares {extent.declared_bytes} bytes of audio, {extent.missing_bytes} "
            f"({share:.0%}) are missing; only {seconds:.1f} s are there."
        )
    elif info.declared is not None and frames < info.declared:
        found.append(
            f"Cut off or damaged: the header declares {info.declared / info.rate:.1f} s, "
            f"{_span((info.declared - frames) / info.rate)} of it cannot be read."
        )
    elif info.damage and (info.declared is not None or not extent.counts_frames):
        found.append(f"Damaged: the decoder stopped with an error after {seconds:.1f} s.")
    elif not extent.ended:
        how = "stops inside a frame" if content.format == "MP3" else "has no end mark"
        found.append(f"Cut off: the stream {how}; {seconds:.1f} s are there.")
    if info.guessed or (content.format == "FLAC" and extent.declared_frames is None):
        found.append(
            f"The header does not state the length; {seconds:.1f} s were read. Check the end by ear."
        )
    if content.format in ("AAC", "M4A") and not extent.start_known:
        found.append(
            "Start uncertain: this AAC does not state its encoder's delay; the usual one frame was removed, "
            f"but it may still sit up to {AAC_MORE / info.rate * 1000:.0f} ms late in the producer's session."
        )
    if content.format == "MP3":
        found += _mp3_warnings(extent, info, seconds)
    return found


def _span(duration_s: float) -> str:
    """A length of time, be it ever so short."""
    return f"{duration_s:.1f} s" if duration_s >= 1 else f"{math.ceil(duration_s * 1000)} ms"


def _mp3_warnings(extent: Extent, info: Decoding, seconds: float) -> list[str]:
    found = []
    if not extent.start_known:
        found.append(
            "Start uncertain: this MP3 does not state its encoder's delay, so everything may sit about "
            f"25 to 50 ms late (usually {MP3_DELAY / info.rate * 1000:.0f} ms) in the producer's session."
        )
    if (extent.present_bytes or 0) * 8 / seconds > MP3_MOST_BITS_S:
        found.append(
            f"The header states {seconds:.1f} s but the file holds more; only that much can be read."
        )
    return found


def repair(block: npt.NDArray[np.floating[Any]]) -> int:
    """Replace, in place, what is no number or beyond any level by 0. Returns how many samples."""
    good = np.abs(block) < ABSURD  # False for NaN
    if good.all():
        return 0
    block[~good] = 0.0
    return int(good.size - np.count_nonzero(good))


def invalid_warnings(bad: int) -> list[str]:
    """Were there samples that `repair` replaced?"""
    if not bad:
        return []
    noun = "sample is" if bad == 1 else "samples are"
    return [f"{bad} {noun} no valid number (NaN, infinite or absurdly large) and taken as 0."]


def require_length(name: str, frames: int, rate: int, limits: Limits) -> list[str]:
    """Warnings for a short signal.

    Raises TooShort below ``limits.min_seconds``.
    """
    seconds = frames / rate
    if seconds < limits.min_seconds:
        cause = f"{seconds:.2f} s is too short for a beat; limits.min_seconds is {limits.min_seconds:g}"
        raise TooShort(name, cause, SEND_AGAIN)
    if seconds < FULL_ANALYSIS_S:
        return [
            f"Only {seconds:.1f} s long: tempo, bar one, key and sections rest on little; check them by ear."
        ]
    return []


def require_sound(name: str, samples: SampleArray) -> None:
    """Raise EmptyDrop when no channel holds more than dither or a constant offset."""
    if is_silent(samples):
        digital = not any(block.any() for block in blocks_of(samples, BLOCK))
        level = "digital silence" if digital else "only a constant offset or noise below -80 dBFS"
        next_step = "ask the producer to check the bounce and send it again"
        raise EmptyDrop(name, f"it holds no sound ({level})", next_step)


def is_silent(samples: SampleArray) -> bool:
    """True when every channel's peak-to-peak range stays below twice `SILENCE`."""
    low = np.full(samples.shape[1], np.inf, np.float32)
    high = -low
    for block in blocks_of(samples, BLOCK):
        low, high = np.minimum(low, block.min(axis=0)), np.maximum(high, block.max(axis=0))
        if (high - low).max() >= 2 * SILENCE:
            return False
    return True
