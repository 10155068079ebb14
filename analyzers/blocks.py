"""Walking over long signals in pieces that fit the processor's cache.

Level analyzers never hold a second copy of the whole signal: they read it once in blocks,
each block turned so that every channel is one contiguous row.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

BLOCK_FRAMES = 1 << 16


def channel_blocks(
    samples: npt.NDArray[np.float32], size: int = BLOCK_FRAMES, before: int = 0, after: int = 0
) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
    """Yield (first frame of the block, block [shape=(channels, before + n + after)]).

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
