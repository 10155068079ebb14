"""Samples of all channels as the analyzers see them: something that is cut like an array.

A short signal is a numpy array. An hour of stereo would fill 1.3 GB, so a long one may lie elsewhere and
hand out only what is asked for; an analyzer therefore reads bounded pieces, never a whole column.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

BLOCK_FRAMES = 1 << 16  # what is worked on at a time stays in the processor's cache
SEARCH_FRAMES = 1 << 20  # for a look at few places
NEAR_FRAMES = 1 << 14  # places this near are read together


class SampleArray(Protocol):
    """float32 [shape=(frames, channels)], full scale = 1.0.

    ``x[a:b]`` gives frames [shape=(b - a, channels)] and ``x[a:b, channel]`` one channel of them; slices
    have no step. A piece is the caller's to read, not to write to.
    """

    @property
    def shape(self) -> tuple[int, ...]: ...
    @property
    def ndim(self) -> int: ...
    def __len__(self) -> int: ...
    def __getitem__(self, part: slice | tuple[slice, int], /) -> Floats: ...


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """Decoded audio: ``samples`` float32 [shape=(frames, channels)], full scale = 1.0; ``rate`` in Hz."""

    samples: SampleArray
    rate: int

    @property
    def frames(self) -> int:
        return int(self.samples.shape[0])

    @property
    def channels(self) -> int:
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        return self.frames / self.rate


class Sliceable(Protocol):
    """Anything that is cut by slices into float32 arrays: all channels, one mix of them, their magnitudes."""

    def __len__(self) -> int: ...
    def __getitem__(self, part: slice, /) -> Floats: ...


def blocks_of(
    x: Sliceable, size: int = BLOCK_FRAMES, first: int = 0, last: int | None = None
) -> Iterator[Floats]:
    """Pieces of `size` frames from `first` up to `last` (None: the end), the last one shorter."""
    end = len(x) if last is None else last
    for start in range(first, end, size):
        yield x[start : min(start + size, end)]


def channel_blocks(
    samples: SampleArray, size: int = BLOCK_FRAMES, before: int = 0, after: int = 0
) -> Iterator[tuple[int, Floats]]:
    """Yield (first frame of the block, block [shape=(channels, before + n + after)]), channels in rows.

    Parameters
    ----------
    samples : [shape=(frames, channels)]
    size : frames in a block, >= 1; the last block is shorter
    before, after : frames of context around each block; zeros outside the signal
    """
    frames, channels = samples.shape
    for start in range(0, frames, size):
        stop = min(start + size, frames)
        first, last = start - before, stop + after
        inside = samples[max(first, 0) : last]
        if first >= 0 and last <= frames:
            yield start, np.ascontiguousarray(inside.T)
            continue
        block = np.zeros((channels, last - first), dtype=np.float32)
        offset = max(-first, 0)
        block[:, offset : offset + len(inside)] = inside.T
        yield start, block


def ordered(magnitudes: Floats) -> npt.NDArray[np.int32]:
    """Their bits, read as whole numbers: in the same order where none is negative, and compared faster.

    ``.view(np.float32)`` turns them back [same shape].
    """
    return np.asarray(magnitudes, dtype=np.float32).view(np.int32)


def values_at(samples: SampleArray, channel: int, frames: npt.NDArray[np.int64]) -> Floats:
    """The samples of one channel at these frames, in rising order [shape=(n,)]."""
    out = np.empty(len(frames), np.float32)
    begin = 0
    while begin < len(frames):
        first = int(frames[begin])
        end = int(np.searchsorted(frames, first + NEAR_FRAMES))
        part = samples[first : int(frames[end - 1]) + 1, channel]
        out[begin:end] = part[frames[begin:end] - first]
        begin = end
    return out
