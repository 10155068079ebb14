"""What the chord and the key network are shown, computed the same way in training and in use."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from analyzers.harmony.voicing import QUALITIES
from analyzers.signal.spectrum import LOWEST_NOTE, NOTES

Floats = npt.NDArray[np.float32]

REGISTER_CENTRES = (36, 50, 64, 78)  # MIDI notes: bass, low, middle, high
REGISTER_REACH = 14  # semitones to where a register fades out
# Set by hand before the networks were trained on these inputs: another value needs new weights
LOWEST_FULL, LOW_WEIGHT = 28, 0.5  # below E1 (41 Hz) kicks outweigh basses
LOUD_PERCENTILE = 90
QUIET_STEP = 0.02  # of the louder steps' size: quieter ones are not scaled up to unit length
QUIET_IN_SEGMENT = 0.1  # the same against a segment's loudest step
AROUND_NOTES = 13  # notes of the neighbourhood that a note may stand out of
HEARD = 0.5  # probability of "no chord" under which a chord is heard
OPENING = 4  # steps that open a segment, and that close it
LEAST_LASTING, LEAST_MOVES = 0.02, 0.5  # sums of chords and of root moves below this stay small
LASTING_WEIGHT, MOVES_WEIGHT = 3, 4  # bring these rows to about the size of the chroma rows


@dataclass(frozen=True, eq=False)
class Segment:
    """Some steps of a track (a beat each) as key and key changes are taken from them.

    ``levels`` [shape=(n, NOTES)]: square roots of steady note magnitudes; ``chords``
    [shape=(n, 12, qualities)] and ``none`` [shape=(n,)]: probability of each chord and of none;
    ``weight`` [shape=(n,)]: place in the meter (see `metric_weight`), None when it is not known.
    """

    levels: Floats
    chords: Floats
    none: Floats
    weight: Floats | None

    def __len__(self) -> int:
        return len(self.levels)

    @cached_property
    def registers(self) -> Floats:
        """`register_chroma` of each step, of unit length but for quiet ones [shape=(n, 4, 12)]."""
        return _even(register_chroma(self.levels))

    @cached_property
    def clear(self) -> Floats:
        """The same of what stands out of the notes around [shape=(n, 4, 12)]."""
        standing = np.maximum(self.levels - uniform_filter1d(self.levels, AROUND_NOTES, axis=1), 0)
        return _even(register_chroma(standing))

    def part(self, start: int, stop: int) -> Segment:
        """The steps from ``start`` up to ``stop``."""
        cut = slice(start, stop)
        weight = None if self.weight is None else self.weight[cut]
        return Segment(self.levels[cut], self.chords[cut], self.none[cut], weight)


def register_chroma(levels: Floats) -> Floats:
    """Note levels folded into pitch classes, four overlapping registers apart.

    Parameters
    ----------
    levels : [shape=(n, NOTES)], square roots of note magnitudes

    Returns
    -------
    [shape=(n, 4, 12)]
    """
    notes = LOWEST_NOTE + np.arange(NOTES)
    weight = np.maximum(0, 1 - np.abs(notes - np.array(REGISTER_CENTRES)[:, None]) / REGISTER_REACH)
    weight[0, notes < REGISTER_CENTRES[0]] = 1.0
    weight[0, notes < LOWEST_FULL] = LOW_WEIGHT
    spread = (levels[:, None, :] * weight[None].astype(np.float32)).reshape(len(levels), 4, NOTES // 12, 12)
    return np.asarray(spread.sum(axis=2), dtype=np.float32)


def chord_inputs(levels: Floats, steady: Floats) -> tuple[Floats, Floats]:
    """Inputs of the chord network for each step of the grid.

    Chroma channels: four registers of this step (plain and steady levels), of the step before and of
    the step after (plain); each step scaled to unit length. Scalars: how loud the notes are against the
    track's louder steps, and how even they are.
    """
    here, held = register_chroma(levels), register_chroma(steady)
    size = np.linalg.norm(here.reshape(len(here), -1), axis=1)
    loud = max(float(np.percentile(size, LOUD_PERCENTILE)), 1e-9)
    floor = QUIET_STEP * loud
    here = here / np.maximum(size, floor)[:, None, None]
    held = held / np.maximum(np.linalg.norm(held.reshape(len(held), -1), axis=1), floor)[:, None, None]
    peak = here.reshape(len(here), -1).max(axis=1)
    scalars = np.stack((np.log(size / loud + QUIET_STEP), peak), axis=1)
    return with_neighbours(here, held), scalars.astype(np.float32)


def with_neighbours(here: Floats, more: Floats) -> Floats:
    """Each step [shape=(n, 4, 12)], more of it, the step before, the one after [shape=(n, 16, 12)]."""
    before = np.concatenate((here[:1], here[:-1]))
    after = np.concatenate((here[1:], here[-1:]))
    return np.concatenate((here, more, before, after), axis=1)


def key_inputs(x: Segment) -> tuple[Floats, Floats]:
    """Inputs of the key network for one segment of music.

    Returns
    -------
    chroma [shape=(1, channels, 12)]: the registers' mean, how long each chord lasts, which chords open and
    close, which fall on the starts of four bars and of every bar, and how often a root is reached from each
    other root; scalars [shape=(1, 5)].
    """
    pitch = _unit(x.registers.mean(axis=0))
    lasting = x.chords.mean(axis=0).T
    lasting = lasting / max(float(lasting.sum()), LEAST_LASTING)
    heard = np.flatnonzero(x.none < HEARD)
    ends = [_lean(x.chords[pick]) for pick in (heard[:OPENING], heard[-OPENING:])]
    roots = x.chords.sum(axis=2)
    steps = np.stack([(np.roll(roots[:-1], -k, axis=1) * roots[1:]).sum(axis=0) for k in range(1, 12)])
    steps = steps / max(float(steps.sum()), LEAST_MOVES)
    even = float(pitch.sum(axis=0).max() / max(float(pitch.sum(axis=0).mean()), 1e-9))
    metric = [_lean(x.chords[x.weight >= w] if x.weight is not None else x.chords[:0]) for w in (2, 1)]
    known = float(x.weight is not None)
    scalars = np.array([[np.log(len(x)), x.none.mean(), even, len(heard) / len(x), known]], np.float32)
    chroma = np.concatenate((pitch, LASTING_WEIGHT * lasting, *ends, *metric, MOVES_WEIGHT * steps))
    return chroma[None].astype(np.float32), scalars


def record_inputs(x: Segment) -> tuple[Floats, Floats]:
    """Inputs of the key network that learned on what sounds like records: `key_inputs` and 11 more channels.

    What drums, voices and distortion spoil least: the registers' middle value over the steps, the mean of
    notes that stand out of their neighbours, the loudest pitch class of the bass, first and last steps.

    Returns
    -------
    chroma [shape=(1, channels + 11, 12)], scalars [shape=(1, 5)]
    """
    chroma, scalars = key_inputs(x)
    bass = x.registers[:, 0]
    lowest = np.zeros(12, np.float32)
    np.add.at(lowest, bass.argmax(axis=1), bass.max(axis=1))
    ends = [_unit(x.registers[pick].sum(axis=(0, 1))) for pick in (slice(OPENING), slice(-OPENING, None))]
    more = (
        _unit(np.median(x.registers, axis=0)),
        _unit(x.clear.mean(axis=0)),
        LASTING_WEIGHT * lowest[None] / max(float(lowest.sum()), 1e-9),
        np.stack(ends),
    )
    return np.concatenate((chroma[0], *more))[None].astype(np.float32), scalars


def _even(registers: Floats) -> Floats:
    """Each step scaled to unit length, but for quiet ones [shape=(n, 4, 12)]."""
    size = np.linalg.norm(registers.reshape(len(registers), -1), axis=1)
    floor = QUIET_IN_SEGMENT * max(float(size.max()), 1e-9)
    return np.asarray(registers / np.maximum(size, floor)[:, None, None])


def _unit(x: Floats) -> Floats:
    return np.asarray(x / max(float(np.linalg.norm(x)), 1e-9))


def metric_weight(down: npt.NDArray[np.bool_], bar_one: int) -> Floats:
    """2 on the first step of each four bars counted from bar one, 1 on that of other bars, else 0.

    Parameters
    ----------
    down : [shape=(n,)], which steps begin a bar
    bar_one : the step that begins bar one
    """
    number = np.cumsum(down) - np.cumsum(down)[bar_one]
    return np.where(down, np.where(number % 4 == 0, 2, 1), 0).astype(np.float32)


def _lean(chords: Floats) -> Floats:
    """Mean probability of a major and of a minor third on each root [shape=(2, 12)]."""
    if len(chords) == 0:
        return np.zeros((2, 12), np.float32)
    mean = chords.mean(axis=0)
    minor = [i for i, q in enumerate(QUALITIES) if 3 in QUALITIES[q]]
    major = [i for i, q in enumerate(QUALITIES) if 4 in QUALITIES[q]]
    return np.stack((mean[:, major].sum(axis=1), mean[:, minor].sum(axis=1)))
