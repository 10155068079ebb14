"""Looking through the magnitudes of a long signal for its first sounds, a block at a time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.signal.samples import BLOCK_FRAMES, Floats, Signal

FRAME_S = 0.005
CLICK_S = 0.010  # shorter: a click, not music
CLICK_FRAMES = 4
SMEARED_FRAMES = 32  # 80 ms: so long a click may sound that a codec smeared
SMEARED_S, SMEARED_SHARE = 0.008, 0.1  # and near its peak (20 dB) it stays no longer, nor do a few of them
# A lone pop with all that a codec smears; near its peak it is even briefer; and the silence after it
POP_S, POP_PEAK_S, ALONE_S = 0.1, 0.003, 0.5
DENSE = 0.12  # share of a sound's samples that is loud; of pops in a row less is


class Magnitudes:
    """Largest magnitude over the channels, offset removed [shape=(frames,)], cut like an array."""

    def __init__(self, signal: Signal, offset: Floats, frames: int) -> None:
        self._samples, self._offset, self._frames = signal.samples, offset, frames

    def __len__(self) -> int:
        return self._frames

    def __getitem__(self, part: slice) -> Floats:
        first, last, _ = part.indices(self._frames)
        block = self._samples[first:last]
        out: Floats = np.abs(block[:, 0] - self._offset[0])
        for channel in range(1, block.shape[1]):
            np.maximum(out, np.abs(block[:, channel] - self._offset[channel]), out=out)
        return out


def first_over(values: Magnitudes, start: int, threshold: float) -> int | None:
    """The first place from `start` on that is over the threshold."""
    for first in range(start, len(values), BLOCK_FRAMES):
        over = values[first : first + BLOCK_FRAMES] > threshold
        if over.any():
            return first + int(np.argmax(over))
    return None


def _frames(values: Floats, size: int) -> Floats:
    """Whole frames of `size` samples [shape=(n, size)]."""
    n = len(values) // size
    return values[: n * size].reshape(n, size)


def after_pop(values: Magnitudes, rate: int, threshold: float) -> int:
    """Where the first sound ends if it is a lone pop, else 0.

    A pop, however loud, is briefer than any hit, and silence follows. Where the next sound is one, too, they
    are somebody's count.
    """
    size = round(POP_S * rate)

    def is_pop(at: int) -> bool:
        after = values[at + size : at + size + round(ALONE_S * rate)]
        return bool((after <= threshold).all()) and _is_brief(values[at : at + size], rate, POP_PEAK_S)

    first = first_over(values, 0, threshold)
    if first is None or not is_pop(first):
        return 0
    later = first_over(values, first + size, threshold)
    return 0 if later is None or is_pop(later) else first + size


def first_loud(values: Magnitudes, rate: int, level: float, start: int = 0) -> int | None:
    """First sample of the first loud frame from `start` on; of the loudest if none reaches the level."""
    size = max(1, round(FRAME_S * rate))
    best, best_at = 0.0, None
    for first in range(start, len(values), 200 * size):
        block = values[first : first + 200 * size]
        means = np.add.reduceat(block, np.arange(0, len(block), size)) / size
        if (means >= level).any():
            return first + int(np.argmax(means >= level)) * size
        if means.max() > best:
            best, best_at = float(means.max()), first + int(means.argmax()) * size
    return best_at


def skip_clicks(quiet: Magnitudes, over: int, rate: int, threshold: float, smeared_below: float = 0.0) -> int:
    """First sample over the threshold that is no click, nor one of several: not over within `CLICK_S`.

    smeared_below : a sound that begins softer than this may be a click that a codec smeared, and is one where
        silence follows within `SMEARED_FRAMES` and all but `SMEARED_S` of it is far softer than its peak:
        what is struck, however short, dies away
    """
    size = max(1, round(CLICK_S / CLICK_FRAMES * rate))
    at = over
    while at + CLICK_FRAMES * size <= len(quiet):
        heard = _frames(quiet[at : at + SMEARED_FRAMES * size], size)
        above = heard > threshold / 2
        busy: npt.NDArray[np.bool_] = heard.max(axis=1) > threshold / 2
        lasts = busy[:CLICK_FRAMES].sum() > CLICK_FRAMES // 2 and above[:CLICK_FRAMES].mean() > DENSE
        still = np.convolve(busy.astype(int), np.ones(CLICK_FRAMES, int), "valid") == 0
        smeared = still.any() and heard[:CLICK_FRAMES].max() < smeared_below
        if lasts and not (smeared and _is_brief(heard[: int(np.argmax(still))], rate, SMEARED_S)):
            return at
        at += max(int(np.argmin(busy)), 1) * size
        later = first_over(quiet, at, threshold)
        if later is None:
            break
        at = later
    return over


def _is_brief(heard: Floats, rate: int, most_s: float) -> bool:
    """Whether a sound is near its peak for no longer than that in all."""
    return bool((heard > SMEARED_SHARE * heard.max(initial=0.0)).sum() <= most_s * rate)
