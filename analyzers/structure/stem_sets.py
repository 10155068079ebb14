"""Are several files the stems of one song, or separate beats?

Three kinds of evidence, none of which needs names:

* the waveforms: mixes of one beat (with and without drums, tagged and not) are much alike; stems are not, but
  for doubled layers; a bounce is explained by several files that are not alike among themselves;
* the clock and the harmony: in stems attacks fall together and chords change together, all through the song;
  other beats agree by chance at best, or at another shift (magnitude: standard scores over all shifts);
* completeness: a beat has lows, highs and harmony of its own, a stem is one part of that.

A logistic regression weighs the last two over the files that are not alike (recipe:
tests/training/stem_sets.py, our own generator's songs only). What lies between is "unclear": a person is
asked, nothing is summed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.special import expit

from analyzers.signal.samples import Floats
from analyzers.signal.weights_file import stored_weights
from analyzers.structure.stem_traits import FLOOR, Traits

Array = npt.NDArray[np.float64]

LEAST_S = 5.0  # shorter files tell nothing
LAG_BLOCKS = 250  # 2.5 s each way
SAME_INSTANT = 0  # of the shared instants: chords
AT_ZERO = 2  # blocks: attacks of one song fall together so closely
ALIKE = 0.15  # correlation of waveforms above which two files share music
HELD = 0.1  # correlation of a bounce with a part that it holds
SAME = 0.97  # correlation of waveforms of one mix in two formats ...
SAME_LEVEL_DB, SPAN = 0.5, 30  # ... whose levels over so many blocks differ by no more
LEAST_PARTS = 3  # that are not alike and together make a bounce
SURE = 0.9  # below this it is unclear


@dataclass(frozen=True, slots=True)
class SetVerdict:
    """What several files are to each other.

    kind : "stems" (of one song), "beats" (separate ones), "one mix" (the same in several formats), "unclear"
    confidence : probability that `kind` is right; of "unclear" the probability of the likelier of the two
    mixes : files that are other mixes of one beat, by index; groups of two or more
    """

    kind: Literal["stems", "beats", "one mix", "unclear"]
    confidence: float
    mixes: tuple[tuple[int, ...], ...] = ()


def judge_set(
    traits: Sequence[Traits],
    likeness: Array,
    roles: Sequence[str] | None = None,
    stored: dict[str, Floats] | None = None,
) -> SetVerdict:
    """Judge two or more files of one delivery.

    Parameters
    ----------
    traits : of each file, on one clock
    likeness : correlation of the waveforms of each two files [shape=(files, files)], where they are heard
    roles : of each file ("two-track" and "group": explained by other files), as far as known
    stored : other weights than those in `analyzers/weights`, while they are fitted

    Returns
    -------
    SetVerdict ; silent files count as parts of nothing and say nothing
    """
    heard = [i for i, t in enumerate(traits) if not t.silent]
    if len(heard) < 2 or max(t.duration_s for t in traits) < LEAST_S:
        return SetVerdict("unclear", 0.5)
    roles = roles or ["stem"] * len(traits)
    alike = np.abs(likeness)
    groups = _groups(heard, alike)
    if len(groups) == 1 and _one_mix([traits[i] for i in heard], likeness[np.ix_(heard, heard)]):
        return SetVerdict("one mix", 0.95, (tuple(heard),))
    parts = [i for i in heard if roles[i] in ("stem", "version")]
    apart = _groups(parts, alike)
    bounced = any(roles[i] == "two-track" and _mixes_others(i, parts, alike, HELD) for i in heard)
    mixes = tuple(tuple(group) for group in groups if len(group) > 1)
    if bounced and len(apart) >= LEAST_PARTS:
        return SetVerdict("stems", 0.97)
    if len(groups) == 1 and (len(apart) == 1 or not bounced):
        return SetVerdict("beats", 0.95, mixes)
    if len(apart) == 1 or any(_mixes_others(i, parts, alike) for i in parts):
        return SetVerdict("unclear", 0.5, mixes)
    probability = _probability([traits[group[0]] for group in apart], stored)
    if probability >= SURE:
        return SetVerdict("stems", probability)
    if probability <= 1 - SURE:
        return SetVerdict("beats", 1 - probability, mixes)
    return SetVerdict("unclear", max(probability, 1 - probability), mixes)


def _groups(members: Sequence[int], alike: Array) -> list[list[int]]:
    """Files that share music, directly or through others."""
    groups: list[list[int]] = []
    for i in members:
        near = [group for group in groups if any(alike[i, j] > ALIKE for j in group)]
        groups = [group for group in groups if group not in near]
        groups.append(sorted([i, *(j for group in near for j in group)]))
    return sorted(groups)


def _mixes_others(i: int, members: Sequence[int], alike: Array, least: float = ALIKE) -> bool:
    """Is it like two files that are not like each other? Then it holds both, and is no part beside them."""
    near = [j for j in members if j != i and alike[i, j] > least]
    return any(alike[j, k] < ALIKE / 2 for j in near for k in near if j != k)


def _one_mix(traits: Sequence[Traits], likeness: Array) -> bool:
    """The same mix in several formats: alike throughout, and level for level."""
    first = traits[0]
    if (likeness < SAME).any():
        return False
    for other in traits[1:]:
        count = min(len(first.level), len(other.level))
        if abs(first.duration_s - other.duration_s) > 1.0:
            return False
        apart = first.level[:count] - other.level[:count]
        loud = np.maximum(first.level[:count], other.level[:count]) > first.level.max() - 40
        apart = np.where(loud, apart - np.median(apart[loud]), 0.0)
        if np.abs(np.convolve(apart, np.full(SPAN, 1 / SPAN), "same")).max() > SAME_LEVEL_DB:
            return False
    return True


def _probability(traits: Sequence[Traits], stored: dict[str, Floats] | None) -> float:
    """That files which share no music are the stems of one song."""
    stored = stored or stored_weights("stem_sets")
    return float(expit(set_features(traits, stored) @ stored["set_weights"] + stored["set_bias"]))


def set_features(traits: Sequence[Traits], stored: dict[str, Floats]) -> Array:
    """What the regression weighs, of two or more files [shape=(18,)]: clock, harmony, lengths, parts."""
    clock, other = _against_rest([_centred(t.attacks) for t in traits], AT_ZERO, LAG_BLOCKS)
    tonal = [_harmony(t) for t in traits]
    changes, _ = _against_rest(tonal, SAME_INSTANT, len(tonal[0]) // 2)
    clock, changes = np.clip(clock, -2, 12), np.clip(changes, -2, 6)
    together = np.sqrt(np.maximum(clock, 0)).mean(), np.sqrt(np.maximum(changes, 0)).mean()
    whole = np.array([completeness(t, stored) for t in traits])
    looks = np.array([part_features(t) for t in traits])
    frames = np.array([t.frames for t in traits])
    equal = max(int((frames == n).sum()) for n in frames) / len(frames)
    return np.array(
        [
            *(clock.mean(), clock.min(), np.mean(clock > 2), np.maximum(other - clock, 0).mean()),
            *(changes.mean(), changes.min(), *together),
            *(equal, float(equal == 1), sum(together) * equal, np.log(frames.max() / frames.min())),
            *(whole.mean(), whole.min(), whole.max(), np.mean(whole < 0)),
            *(looks.std(axis=0).mean(), np.linalg.norm(looks - looks.mean(axis=0), axis=1).mean()),
        ]
    )


def completeness(traits: Traits, stored: dict[str, Floats]) -> float:
    """Log odds that one file is a whole beat and not a part of one, within [-6, 6]."""
    value = part_features(traits) @ stored["file_weights"] + stored["file_bias"]
    return float(np.clip(value, -6, 6))


def part_features(traits: Traits) -> Array:
    """Balance of the bands in dB, how few pitch classes sound, how hard attacks are, how much is silent."""
    share = traits.bands.mean(axis=0) / max(float(traits.bands.mean(axis=0).sum()), FLOOR)
    tonal = traits.chroma[traits.chroma.any(axis=1)]
    power = 10 * np.log10(traits.bands.sum(axis=1) + FLOOR)
    return np.array(
        [
            *np.clip(10 * np.log10(share + FLOOR), -60, 0) / 20,
            tonal.max(axis=1).mean() if len(tonal) else 0.0,
            np.percentile(traits.attacks, 95) / 10 if len(traits.attacks) else 0.0,
            np.mean(power > power.max() - 30),
        ]
    )


def _centred(attacks: Floats) -> Floats:
    limited = np.minimum(attacks, 30.0)
    out: Floats = (limited - limited.mean())[:, None] if len(limited) else np.zeros((1, 1), np.float32)
    return out


def _harmony(traits: Traits) -> Floats:
    """Pitch classes less their mean over the file: a common key proves nothing."""
    tonal, out = traits.chroma.any(axis=1), np.zeros_like(traits.chroma)
    if tonal.sum() > 4:
        out[tonal] = traits.chroma[tonal] - traits.chroma[tonal].mean(axis=0)
    return out


def _against_rest(rows: Sequence[Floats], near: int, far: int) -> tuple[Array, Array]:
    """Standard scores of each file against the sum of the others: at no shift, at the best other one."""
    longest = max(len(row) for row in rows)
    size = scipy.fft.next_fast_len(2 * longest, real=True)
    spectra = []
    for row in rows:
        length = float(np.linalg.norm(row))
        spectra.append(scipy.fft.rfft(row / length if length else row, size, axis=0))
    total = sum(spectra)
    here, there = np.zeros(len(rows)), np.zeros(len(rows))
    far = min(far, longest - 1)
    for i, own in enumerate(spectra):
        product = scipy.fft.irfft((np.conj(own) * (total - own)).sum(axis=1), size)
        middle = product[np.arange(-near, near + 1)].max()
        others = np.concatenate([product[near + 3 : far + 1], product[-far : -near - 2]])
        spread = float(others.std()) if len(others) else 0.0
        if spread > 1e-9:
            here[i], there[i] = (middle - others.mean()) / spread, (others.max() - others.mean()) / spread
    return here, there
