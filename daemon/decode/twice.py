"""A stem that lies twice in a delivery: "kick.wav" and "kick (1).wav". Summed twice it is 6 dB louder."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analyzers.signal.samples import SampleArray
from config.settings import Limits
from daemon.decode.audiofile import BLOCK, read_audio
from daemon.decode.spool import Scratch
from daemon.decode.stemfacts import Stem


def same_as(
    stem: Stem, samples: SampleArray, earlier: Sequence[Stem], limits: Limits, scratch: Scratch
) -> int | None:
    """Index of the first of `earlier` with the same bytes or samples; None without one, and for silence.

    samples : of `stem`, at its own rate; an earlier file is read again only where its levels are the same
    """
    if stem.silent:
        return None
    for k, one in enumerate(earlier):
        if one.sha256 == stem.sha256 or (
            _facts(one) == _facts(stem) and _equal(one, samples, limits, scratch)
        ):
            return k
    return None


def copies(stems: Sequence[Stem], first: Sequence[int | None]) -> dict[int, int]:
    """Which stem is a copy of which, by index: of those that are the same the shortest name stays.

    first : for each stem the earlier one that it is the same as
    """
    same: dict[int, list[int]] = {}
    for k, at in enumerate(first):
        same.setdefault(k if at is None else at, []).append(k)
    stays = {k: min(held, key=lambda i: len(stems[i].name)) for held in same.values() for k in held}
    return {k: at for k, at in stays.items() if k != at}


def _facts(stem: Stem) -> tuple[float | None, ...]:
    return stem.frames, stem.rate, stem.channels, stem.peak_dbfs, stem.rms_dbfs, stem.first_sound_sample


def _equal(one: Stem, samples: SampleArray, limits: Limits, scratch: Scratch) -> bool:
    with scratch.inner() as passing:
        other = read_audio(one.path, limits, passing).samples
        starts = range(0, len(samples), BLOCK)
        return all(np.array_equal(other[at : at + BLOCK], samples[at : at + BLOCK]) for at in starts)
