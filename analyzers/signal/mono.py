"""One channel out of many, mixed while it is read, and frames of it.

An hour of stereo fills more than a gigabyte; a second copy of it as one channel would fill half of that
again. A `Mono` is cut like an array (``mono[a:b]``) and mixes only what is asked for, so that features of
long signals cost what they keep and no more.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

import numpy as np
import soxr

from analyzers.signal.channel_stats import ChannelStats
from analyzers.signal.samples import BLOCK_FRAMES, Floats, SampleArray, Sliceable, blocks_of

CANCELLED = 0.25  # of the channels' mean power: a mix weaker than this has lost the music


class Mono:
    """Mix for analysis [shape=(frames,)], cut by slices without a step.

    The mean of the channels; when that cancels (an inverted channel, a dead one) the mean would lose the
    music, so the louder single channel is taken instead. `stats` are those of the samples.
    """

    def __init__(self, samples: SampleArray, stats: ChannelStats) -> None:
        self._samples = samples
        self._channel = 0 if samples.shape[1] == 1 else _only_channel(stats)
        self._weights = np.full(samples.shape[1], 1 / samples.shape[1], dtype=np.float32)

    def __len__(self) -> int:
        return len(self._samples)

    def __getitem__(self, part: slice) -> Floats:
        if self._channel is None:
            mixed: Floats = self._samples[part] @ self._weights
            return mixed
        return np.ascontiguousarray(self._samples[part, self._channel])


Samples = Floats | Mono


def _only_channel(stats: ChannelStats) -> int | None:
    """The channel that stands for all when their mean cancels; None when it does not."""
    mixed = float(stats.product.mean())  # the power of the channels' mean
    return int(np.argmax(stats.power)) if mixed < CANCELLED * float(stats.power.mean()) else None


def resampled(x: Sliceable, rate: int, to_rate: float, quality: str, channels: int = 1) -> Iterator[Floats]:
    """The signal at another rate, in pieces; instants unchanged (the same values as in one call)."""
    if rate == to_rate:
        yield from blocks_of(x)
        return
    stream = soxr.ResampleStream(rate, to_rate, channels, dtype="float32", quality=quality)
    for start in range(0, len(x), BLOCK_FRAMES):
        yield stream.resample_chunk(x[start : start + BLOCK_FRAMES], last=start + BLOCK_FRAMES >= len(x))


def framed(pieces: Iterable[Floats], size: int, hop: int) -> Iterator[tuple[int, Floats]]:
    """Overlapping frames of a signal that comes in pieces: (first number, frames [shape=(n, size)]).

    Frame k covers the samples from ``k * hop - size // 2`` on, zeros outside the signal; there are
    ``length // hop + 1`` of them. The frames are views: not to be written to.
    """
    held = np.zeros(size // 2, np.float32)
    first = length = 0
    for piece in chain(pieces, (None,)):
        if piece is None:
            count = length // hop + 1 - first
            held = np.concatenate((held, np.zeros(size + hop, np.float32)))
        else:
            length += len(piece)
            held = np.concatenate((held, piece))
            count = (len(held) - size) // hop + 1
        if count > 0:
            yield first, np.lib.stride_tricks.sliding_window_view(held, size)[::hop][:count]
            held, first = held[count * hop :], first + count
