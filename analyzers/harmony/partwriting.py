"""Part-writing: three or four singable lines through the chords of a beat.

The lines move like voices of a choir set above the beat's own bass: every part stays inside one
singer's range (MIDI notes, both ends included), parts neither cross nor touch, neighbours are at
most an octave apart, tones that two chords share stay where they are, and the rest goes by step.
Parallel fifths and octaves between the outer parts cost more than everything else together, so
they come only where no setting of the chords avoids them. Among all settings the cheapest
sequence is taken (dynamic programming).

Source of the rules: Aldwell and Schachter, Harmony and Voice Leading, the chapters on chord
construction and on voice leading in four parts (from memory of the rules, no wording is theirs):
double the root, else the fifth, in a diminished triad the third; leave out the fifth where a tone
has to go; chordal sevenths fall by step or stay; leaps are small.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, combinations_with_replacement, groupby, pairwise

import numpy as np
import numpy.typing as npt

from analyzers.harmony.voicing import QUALITIES, Chord

Setting = tuple[int, ...]  # notes, lowest first
Costs = npt.NDArray[np.float64]

OCTAVE = 12
PERFECT_FIFTH = 7
PARALLEL_OUTER = 1e6
PARALLEL_OTHER = 12.0
OVERLAP = 8.0  # a part passes where its neighbour has just been
LOST_COMMON_TONE = 6.0
UNRESOLVED_SEVENTH = 6.0
# by semitones that a part moves: a hold, steps, thirds, then leaps (the last entry: more than an octave)
MOVES = np.array([0.0, 1.0, 1.2, 3.0, 3.5, 6.0, 9.0, 9.0, 12.0, 13.0, 16.0, 17.0, 16.0, 20.0])
DOUBLED = {"root": 0.0, "third": 3.0, "fifth": 1.5}
DOUBLED_DIMINISHED = {"root": 6.0, "third": 0.0, "fifth": 4.0}
OFF_CENTRE = 0.05  # a semitone and part


def write_parts(chords: Sequence[Chord | None], parts: int, vocal_range: tuple[int, int]) -> list[Setting]:
    """Notes of each chord, lowest first; () where there is none (``None``).

    Parameters
    ----------
    parts : 3 or 4
    vocal_range : lowest and highest note of the singer; an octave less a semitone at least
    """
    low, high = vocal_range
    if parts not in (3, 4) or high - low < OCTAVE - 1:
        raise ValueError(f"{parts} parts in {low}..{high}: three or four parts in an octave or more")
    sounding = [chord for chord in chords if chord is not None]
    runs = [chord for chord, _ in groupby(sounding)]
    path = iter(_cheapest(runs, parts, vocal_range))
    held = [setting for (_, run), setting in zip(groupby(sounding), path, strict=True) for _ in run]
    rest = iter(held)
    return [() if chord is None else next(rest) for chord in chords]


def settings_of(chord: Chord, parts: int, vocal_range: tuple[int, int]) -> list[Setting]:
    """Every setting of the chord in the range that the rules of construction allow.

    In a range that has too few notes two parts share one.
    """
    root, quality = chord
    tones = [(root + step) % OCTAVE for step in QUALITIES[quality]]
    low, high = vocal_range
    notes = [n for n in range(low, high + 1) if n % OCTAVE in tones]
    needed = set(tones) if len(tones) <= parts else set(tones) - {tones[2]}  # without the fifth
    every = [s for s in combinations(notes, parts) if needed <= {n % OCTAVE for n in s}]
    near = [s for s in every if all(b - a <= OCTAVE for a, b in pairwise(s))]
    shared = (s for s in combinations_with_replacement(notes, parts) if needed <= {n % OCTAVE for n in s})
    return near or every or list(shared)


def _cheapest(chords: Sequence[Chord], parts: int, vocal_range: tuple[int, int]) -> list[Setting]:
    if not chords:
        return []
    known = {chord: settings_of(chord, parts, vocal_range) for chord in set(chords)}
    own = {chord: _own_costs(chord, known[chord], vocal_range) for chord in known}
    between: dict[tuple[Chord, Chord], Costs] = {}
    cost, back = own[chords[0]], []
    for before, after in pairwise(chords):
        if (before, after) not in between:
            between[before, after] = _moves(before, known[before], known[after]) + own[after]
        total = cost[:, None] + between[before, after]
        best = total.argmin(axis=0)
        back.append(best)
        cost = total[best, np.arange(len(best))]
    at = int(cost.argmin())
    path = [at]
    for best in reversed(back):
        at = int(best[at])
        path.append(at)
    return [known[chord][i] for chord, i in zip(chords, reversed(path), strict=True)]


def _own_costs(chord: Chord, settings: Sequence[Setting], vocal_range: tuple[int, int]) -> Costs:
    """What each setting costs by itself: an awkward doubling, and lying off the middle of the range."""
    root, quality = chord
    names = dict(zip(((root + step) % OCTAVE for step in QUALITIES[quality]), DOUBLED, strict=False))
    weights = DOUBLED_DIMINISHED if quality == "dim" else DOUBLED
    centre = sum(vocal_range) / 2
    costs = []
    for setting in settings:
        tones = [n % OCTAVE for n in setting]
        doubled = {tone for tone in tones if tones.count(tone) > 1}
        cost = sum(weights[names[tone]] if tone in names else 6.0 for tone in doubled)  # 6: a seventh
        costs.append(cost + OFF_CENTRE * abs(sum(setting) - centre * len(setting)))
    return np.array(costs)


def _moves(chord: Chord, before: Sequence[Setting], after: Sequence[Setting]) -> Costs:
    """Cost of going from each setting to each [shape=(before, after)]."""
    a, b = np.array(before)[:, None, :], np.array(after)[None, :, :]
    step = b - a
    cost: Costs = MOVES[np.minimum(np.abs(step), len(MOVES) - 1)].sum(axis=2)
    cost += _parallels(a, b, step)
    cost += OVERLAP * ((b[..., :-1] > a[..., 1:]) | (b[..., 1:] < a[..., :-1])).sum(axis=2)
    tones, held = a % OCTAVE, step == 0
    for tone in {n % OCTAVE for n in before[0]} & {n % OCTAVE for n in after[0]}:
        cost += LOST_COMMON_TONE * ~(held & (tones == tone)).any(axis=2)
    root, quality = chord
    if len(QUALITIES[quality]) == 4:
        seventh = tones == (root + QUALITIES[quality][3]) % OCTAVE
        cost += UNRESOLVED_SEVENTH * (seventh & ((step > 0) | (step < -2))).any(axis=2)
    return cost


def _parallels(a: npt.NDArray[np.int_], b: npt.NDArray[np.int_], step: npt.NDArray[np.int_]) -> Costs:
    """Pairs of parts that keep a perfect fifth or octave while both move the same way."""
    low, high = np.triu_indices(a.shape[2], 1)
    weights = np.where(high - low == a.shape[2] - 1, PARALLEL_OUTER, PARALLEL_OTHER)
    first = (a[..., high] - a[..., low]) % OCTAVE
    perfect = (first == 0) | (first == PERFECT_FIFTH)
    same = (b[..., high] - b[..., low]) % OCTAVE == first
    same_way = step[..., low] * step[..., high] > 0
    cost: Costs = np.matmul((perfect & same & same_way).astype(np.float64), weights)
    return cost
