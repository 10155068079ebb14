"""Where the key changes, at bar lines.

Two steps. A path through the twelve key signatures explains the chords best (Viterbi; Rabiner, Proc.
IEEE 77, 1989): each chord has a likelihood under each signature, learned from songs, and leaving a
signature costs much, so that a borrowed chord or a dominant of the dominant is not a change of key. A chord
that is held is one chord: after some beats it counts no more, or slow vamps would change their key.
Each change on that path is then weighed: what the key network makes of both sides, how much better
two signatures explain them than one, how long both last and whether the change falls on the start of
four bars (common practice). A logistic model on these makes a probability; the least probable change
is dropped and its sides joined until all that are left are probable.

Table and model are made by tests/training/harmony_changes.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from analyzers.harmony.network_inputs import HEARD, Floats, Segment
from analyzers.model import Key, KeyChange
from analyzers.signal.viterbi import best_path
from analyzers.signal.weights_file import stored_weights

CHANGE_COST = 8.0  # log odds
INSIDE_GROUP_COST = 2.0  # more, off the starts of four bars
OTHER_CHORDS = 0.1  # likelihood left to what the table does not know
LEAST_BARS, LEAST_FIRST_BARS = 4, 3  # the first key may end a bar early, on the dominant of the next one
HELD_STEPS = 8  # beats, two bars of four: what is held on says no more than it has said
PROBABLE = 0.75  # high: songs that change their key are rarer than among those the model was fitted on

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ChangeModel:
    """``table``: likelihood of each chord in C major's signature against any signature
    [shape=(12, qualities)]; the rest: logistic model on the five pieces of evidence for a change."""

    table: Floats
    mean: Floats
    scale: Floats
    slope: Floats
    offset: Floats  # (1,)

    def probability(self, evidence: FloatArray) -> float:
        odds = float((evidence - self.mean) / self.scale @ self.slope + self.offset[0])
        return float(expit(odds))


@cache
def load_change_model() -> ChangeModel:
    return ChangeModel(**stored_weights("harmony_change"))


def find_changes(
    track: Segment, signatures: Callable[[int, int], Floats], model: ChangeModel | None = None
) -> list[tuple[int, float]]:
    """Steps (on bar lines) where another key signature begins, each with its probability.

    Parameters
    ----------
    track : the whole track; without a place in the meter no change can be found
    signatures : probability of each key signature, by the tonic of its major key [shape=(12,)], from one
        step up to another; what is missing to 1 is "no key". Asked more than once for the same steps
    model : the shipped one, if None
    """
    if track.weight is None:
        return []
    model = model or load_change_model()
    fit = signature_fit(track, model.table)
    bounds = proposed(fit, track.weight)
    while bounds:
        stops = [0, *bounds, len(track)]
        sure = [
            model.probability(
                change_evidence(fit, track.weight, (a, b, c), (signatures(a, b), signatures(b, c)))
            )
            for a, b, c in zip(stops, stops[1:], stops[2:], strict=False)
        ]
        least = int(np.argmin(sure))
        if sure[least] >= PROBABLE:
            return list(zip(bounds, sure, strict=True))
        del bounds[least]
    return []


def signature_fit(track: Segment, table: Floats) -> FloatArray:
    """Log likelihood of each step under each signature, 0 where nothing new sounds [shape=(n, 12)]."""
    moved = np.stack([np.roll(table, tonic, axis=0) for tonic in range(12)])
    likely = np.einsum("nrq,trq->nt", track.chords, moved, optimize=True).astype(np.float64)
    sounding = (1 - track.none[:, None]).clip(0)
    likely = (likely + OTHER_CHORDS * sounding) / (1 + OTHER_CHORDS) + track.none[:, None]
    return np.asarray(np.log(likely + 1e-6) * (steps_held(track) < HELD_STEPS)[:, None])


def steps_held(track: Segment) -> npt.NDArray[np.int64]:
    """For how many steps the root of each step has sounded before it without a break [shape=(n,)]."""
    root = np.where(track.none > HEARD, -1, track.chords.sum(axis=2).argmax(axis=1))
    step = np.arange(len(root))
    begin = np.where(np.diff(root, prepend=-2) != 0, step, 0)
    return np.asarray(step - np.maximum.accumulate(begin))


def proposed(fit: FloatArray, weight: Floats) -> list[int]:
    """Boundaries of the best path through the signatures, those apart by a few bars left out."""
    if np.count_nonzero(weight) < LEAST_FIRST_BARS + LEAST_BARS:
        return []
    cost = np.where(weight >= 2, CHANGE_COST, np.where(weight >= 1, CHANGE_COST + INSIDE_GROUP_COST, np.inf))
    bounds = [int(i) for i in np.flatnonzero(np.diff(best_path(fit, np.zeros(len(cost)), -cost))) + 1]
    stops = [0, *bounds, len(weight)]
    return [
        b
        for a, b, c in zip(stops, stops[1:], stops[2:], strict=False)
        if _bars(weight, a, b) >= (LEAST_BARS if a else LEAST_FIRST_BARS)
        and _bars(weight, b, c) >= LEAST_BARS
    ]


def change_evidence(
    fit: FloatArray, weight: Floats, at: tuple[int, int, int], sides: tuple[Floats, Floats]
) -> FloatArray:
    """What speaks for a change of key on step b, between a and c [shape=(5,)].

    Log odds that the signatures on its sides differ, log likelihood that two signatures gain over one
    (as such and for each step of the shorter side), bars of the shorter side, start of four bars.
    """
    a, b, c = at
    before, after = sides
    known = max(float(before.sum() * after.sum()), 1e-9)
    differ = float(np.clip(1 - float(before @ after) / known, 1e-4, 1 - 1e-4))
    one, two = fit[a:b].sum(axis=0), fit[b:c].sum(axis=0)
    gain = max(float(one.max() + two.max() - (one + two).max()), 0.0)
    shorter = min(_bars(weight, a, b), _bars(weight, b, c))
    return np.array(
        [
            logit(differ),
            np.log1p(gain),
            gain / min(b - a, c - b),
            np.log(shorter + 1.0),
            float(weight[b] >= 2),
        ]
    )


def _bars(weight: Floats, start: int, stop: int) -> int:
    return int(np.count_nonzero(weight[start:stop]))


def key_begin(key: Key) -> KeyChange | None:
    """Where the key begins, when what comes before it has none: the first change is to the key itself."""
    first = key.changes[0] if key.changes else None
    return first if first and (first.tonic, first.mode) == (key.tonic, key.mode) else None


def later_changes(key: Key) -> tuple[KeyChange, ...]:
    """The changes to another key."""
    return key.changes[1:] if key_begin(key) else key.changes


def in_force(key: Key, at_s: float) -> Key | KeyChange:
    """The key itself, or the change whose key it is at an instant; without a tonic where there is none."""
    first = replace(key, tonic=None, mode=None) if key_begin(key) else key
    return next((change for change in reversed(key.changes) if change.at_s <= at_s + 1e-6), first)


def key_at(key: Key, at_s: float) -> tuple[str | None, str | None, float]:
    """(tonic, mode, confidence of the key) in force at an instant."""
    here = in_force(key, at_s)
    return here.tonic, here.mode, sure_of_key(here)


def sure_of_key(here: Key | KeyChange) -> float:
    """Confidence in a key; after a change whose report does not tell it apart that in the change."""
    if isinstance(here, KeyChange) and here.key_confidence is not None:
        return here.key_confidence
    return here.confidence
