"""Is a published copy cut as an engineer would cut it? Judged by what is true of the beat and by the file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from demo.truth import Truth

LONGEST_GAP_S = 0.005  # of silence where the music starts on bar one
LINE_S = 0.010  # how far a pickup may lie from its place in the bar in front
EARLIEST_S = -0.001  # of the first sound that may be missing
HIT_S = 0.02  # the first hit is compared over so much
HIT_DB = 0.5  # a codec's own change of level is less


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy in its ready folder: the file, its cut in the producer's file, and its gain."""

    path: Path
    zero_s: float
    gain_db: float


def copy_of(record: dict[str, Any], place: Path) -> Copy:
    """The copy that a report describes."""
    cut, written, rate = record["cut"], record["aligned_copy"], record["drop"]["rate"]
    zero_s = (cut["source_start"] - cut["pad_samples"]) / rate
    return Copy(place / written["file"], zero_s, written["gain_db"])


def gap_in_copy_s(copy: Copy, truth: Truth) -> float | None:
    """Time in the copy before the music sounds; None where nothing sounds."""
    return None if truth.first_sound_s is None else truth.first_sound_s - copy.zero_s


def is_well_cut(copy: Copy, truth: Truth, source: Path) -> bool:
    """No gap before bar one, a pickup in its place of the bar in front, and the first hit whole."""
    gap = gap_in_copy_s(copy, truth)
    if gap is None or truth.first_downbeat_s is None or truth.first_sound_s is None:
        return False
    if truth.pickup_beats:
        bar = (truth.beats[1][0] - truth.beats[0][0]) * truth.beats_per_bar
        bars = math.ceil(truth.pickup_beats / truth.beats_per_bar)
        right = abs(gap - (truth.first_sound_s - truth.first_downbeat_s + bars * bar)) <= LINE_S
    else:
        right = EARLIEST_S <= gap <= LONGEST_GAP_S
    return right and abs(_hit_change_db(copy, truth.first_sound_s, source)) <= HIT_DB


def _hit_change_db(copy: Copy, first_sound_s: float, source: Path) -> float:
    """Energy of the first hit in the copy over that in the producer's file."""
    there = _energy(copy.path, first_sound_s - copy.zero_s)
    sent = _energy(source, first_sound_s)
    return 10 * math.log10(max(there, 1e-12) / max(sent, 1e-12)) - copy.gain_db


def _energy(path: Path, at_s: float) -> float:
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    parts = [_excerpt(file, at_s) for file in files]
    return float((sum(parts[1:], start=parts[0]) ** 2).sum())


def _excerpt(path: Path, at_s: float) -> npt.NDArray[np.float64]:
    """`HIT_S` of a file from `at_s` on [shape=(frames, channels)].

    Read from its beginning: after a seek an MP3 decoder needs a while until its samples are right.
    """
    with soundfile.SoundFile(path) as file:
        first = round(at_s * file.samplerate)
        end = max(first + round(HIT_S * file.samplerate), 0)
        samples: npt.NDArray[np.float64] = file.read(end, dtype="float64", always_2d=True)
        return samples[max(first, 0) :]
