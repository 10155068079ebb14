"""Chords: one for each beat of the grid, joined where they go on.

A network judges each beat (`analyzers.harmony.equivariant`); a hidden Markov model over the beats then weighs
what it says against how seldom chords change inside a bar. The path is Viterbi's, the confidence
that of the forward-backward algorithm (Rabiner, Proc. IEEE 77, 1989).

A bare fifth sounds like a major chord, whose third it has as a partial: a chord whose third is not played
(`heard`) is never sure, and takes the third of the key.

A help, never a fact: people who write chords down agree on about three quarters of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, softmax

from analyzers.harmony.equivariant import load_net
from analyzers.harmony.heard import ANYWHERE_CENTS, IN_TUNE_CENTS, heard_notes
from analyzers.harmony.key_change import key_at
from analyzers.harmony.network_inputs import chord_inputs
from analyzers.harmony.spelling import (
    BLUES_STEPS,
    chord_label,
    is_minor,
    parse_chord,
    pitch_class_of,
    scale_pitch_classes,
    signature,
)
from analyzers.harmony.voicing import QUALITIES
from analyzers.model import Chord, Grid, Key, Tuning
from analyzers.signal.features import Features
from analyzers.signal.spectrum import FRAME_RATE_HZ
from analyzers.signal.viterbi import best_path

NAMES = tuple(QUALITIES)
NO_CHORD = 12 * len(NAMES)
WITHOUT_GRID_S = 0.5  # step where there is no beat
CHANGE_ON_BAR, CHANGE_IN_BAR, CHANGE_WITHOUT_GRID = 0.9, 0.1, 0.2  # probability of a new chord
EVIDENCE_WEIGHT = 1.5  # of the network's log probabilities against those of change
OUTSIDE_KEY = np.log(0.2)  # a chord with tones outside the scale, when the key is sure
PLATT_SLOPE, PLATT_OFFSET = 0.378, -0.120  # logistic fit on generated songs, on log odds

WITH_THIRD = ("maj", "min", "7", "maj7", "min7", "dim", "aug")
OTHER_THIRD = {"maj": "min", "min": "maj", "7": "min7", "min7": "7"}
# A third that is played has mostly two thirds of what root and fifth have, that of a bare fifth a tenth: with
# less than the first the chord is not sure, with less than the second its third is that of the key
LEAST_THIRD, NO_THIRD = 0.35, 0.25
SURE_TUNING = 0.8  # confidence from which it matters where beside a note a partial lies
BARE_CONFIDENCE = 0.75  # at most, of a chord without a third: never taken at its word

# In music with a key, "no chord" where as much sounds on notes as elsewhere is drums over a chord about as
# often as drums alone (of five corpora, each counting alike: 0.4 of the time right)
FULL_SHARE, FULL_PERCENTILE, NO_CHORD_OVER_NOTES = 0.5, 90, 0.4

EDGE_S = 0.05  # a line nearer to an end of the track than this would cut off next to nothing
NEAR_CHANGE_S = 0.05  # a chord that begins with a change of key belongs to the new one

SILENT_SHARE = 0.03  # of the louder steps' levels, which are roots of magnitudes: 60 dB down
CERTAIN = -12.0  # log probability of anything else

FloatArray = npt.NDArray[np.float64]


def find_chords(f: Features, tuning: Tuning, grid: Grid, key: Key) -> tuple[Chord, ...]:
    """Chords from 0 to the end of the file, without gaps; label "N" where none sounds.

    Spelled as the key would that is in force there. Without a grid the steps are half seconds.
    """
    edges = beat_edges(grid, f.duration_s)
    evidence = chord_evidence(f, tuning.cents or 0.0, edges)
    evidence = evidence * EVIDENCE_WEIGHT + key_preference(key)
    path, belief = smooth(evidence, change_probability(grid, edges))
    reach_cents = IN_TUNE_CENTS if tuning.confidence >= SURE_TUNING else ANYWHERE_CENTS
    heard = heard_notes(f.spectrum, tuning.cents or 0.0, edges, reach_cents)
    thirds = heard_thirds(path, heard)
    third = np.array([thirds.get(int(state), 1.0) for state in path])
    sure = np.where(third < LEAST_THIRD, np.minimum(calibrated(belief), BARE_CONFIDENCE), calibrated(belief))
    if key.tonic is not None:
        over_notes = (path == NO_CHORD) & full_of_notes(heard)
        sure[over_notes] = np.minimum(sure[over_notes], NO_CHORD_OVER_NOTES)
    for k in np.flatnonzero(third < NO_THIRD):
        path[k] = third_of_key(key, float(edges[k]), int(path[k]))
    starts = np.concatenate(([0], np.flatnonzero(np.diff(path)) + 1, [len(path)]))
    out = []
    for a, b in pairwise(starts):
        root, quality = divmod(int(path[a]), len(NAMES))
        label = "N" if path[a] == NO_CHORD else chord_label(root, NAMES[quality])
        out.append(Chord(float(edges[a]), float(edges[b]), label, round(float(sure[a:b].mean()), 3)))
    return spelled_in(key, out)


def spelled_in(key: Key, chords: Sequence[Chord]) -> tuple[Chord, ...]:
    """Chords with the names that they have in the key that is in force where each begins."""
    out = []
    for chord in chords:
        parsed = parse_chord(chord.label)
        label = chord_label(*parsed, *spelling_at(key, chord.start_s)) if parsed else chord.label
        out.append(replace(chord, label=label))
    return tuple(out)


def heard_thirds(path: npt.NDArray[np.int64], heard: FloatArray) -> dict[int, float]:
    """How much of its third is heard, against root and fifth, in all the steps that have a chord together.

    A bare fifth sounds like a major chord: its root's fifth partial is that third.

    Parameters
    ----------
    path : state of each step [shape=(steps,)]
    heard : [shape=(steps, 12)], see `heard_notes`

    Returns
    -------
    by state, for chords that have a third
    """
    found = {}
    for state in {int(state) for state in path} - {NO_CHORD}:
        root, quality = divmod(state, len(NAMES))
        if NAMES[quality] in WITH_THIRD:
            there = heard[path == state].sum(axis=0)
            low, third, high = (there[(root + step) % 12] for step in QUALITIES[NAMES[quality]][:3])
            found[state] = float(third / max((low + high) / 2, 1e-9))
    return found


def full_of_notes(heard: FloatArray) -> npt.NDArray[np.bool_]:
    """Steps in which about as much lies on notes as in the fuller ones [heard: shape=(steps, 12)]."""
    each = heard.sum(axis=1)
    return np.asarray(each >= FULL_SHARE * np.percentile(each, FULL_PERCENTILE))


def third_of_key(key: Key, at_s: float, state: int) -> int:
    """The chord with the other third, where the key that is in force has that one and not this one."""
    tonic, mode, _ = key_at(key, at_s + NEAR_CHANGE_S)
    root, quality = divmod(state, len(NAMES))
    other = OTHER_THIRD.get(NAMES[quality])
    if tonic is None or mode is None or other is None:
        return state
    this, that = ((root + QUALITIES[name][1]) % 12 for name in (NAMES[quality], other))
    scale = scale_pitch_classes(tonic, mode)
    return root * len(NAMES) + NAMES.index(other) if that in scale and this not in scale else state


def spelling_at(key: Key, at_s: float) -> tuple[int, bool]:
    """(accidentals, minor or not) of the key in force at a time, for `chord_label`."""
    tonic, mode, _ = key_at(key, at_s + NEAR_CHANGE_S)
    if tonic is None or mode is None:
        return 0, False
    return signature(tonic, mode), is_minor(mode)


def calibrated(belief: FloatArray) -> FloatArray:
    """Probability that root and third are right, from the chain's probability of its state.

    Neighbouring beats repeat each other's evidence, so the chain is too sure: Platt scaling.
    """
    odds = logit(np.clip(belief, 1e-4, 1 - 1e-4))
    return np.asarray(expit(PLATT_SLOPE * odds + PLATT_OFFSET))


def beat_edges(grid: Grid, duration_s: float) -> FloatArray:
    """Beat times closed off by 0 and the end of the file; fixed steps when there is no beat."""
    if grid.tempo_bpm is None or len(grid.beats_s) < 2:
        inner = np.arange(WITHOUT_GRID_S, max(duration_s - WITHOUT_GRID_S / 2, 0.0), WITHOUT_GRID_S)
    else:
        inner = np.array([b for b in grid.beats_s if EDGE_S < b < duration_s - EDGE_S])
    return np.concatenate(([0.0], inner, [duration_s]))


def mean_between(frames: npt.NDArray[np.floating], edges: FloatArray) -> npt.NDArray[np.float32]:
    """Mean of the frames centred between neighbouring edges [shape=(len(edges) - 1, columns)]."""
    total = np.vstack((np.zeros((1, frames.shape[1])), np.cumsum(frames, axis=0, dtype=np.float64)))
    at = np.clip(np.rint(edges * FRAME_RATE_HZ + 0.5).astype(int), 0, len(frames))
    lo = np.minimum(at[:-1], len(frames) - 1)
    hi = np.maximum(at[1:], lo + 1)
    return np.asarray((total[hi] - total[lo]) / (hi - lo)[:, None], np.float32)


def chord_evidence(f: Features, cents: float, edges: FloatArray) -> FloatArray:
    """Log probability of each chord and of none, step by step [shape=(steps, 12 * qualities + 1)].

    Key and chords ask for the same steps: worked out once, and not to be written to.
    """
    asked = (round(cents, 1), edges.tobytes())
    if asked not in f.chord_evidence:
        f.chord_evidence = {asked: _evidence(f, cents, edges)}
    return f.chord_evidence[asked]


def _evidence(f: Features, cents: float, edges: FloatArray) -> FloatArray:
    plain = mean_between(np.sqrt(f.spectrum.notes(cents)), edges)
    steady = mean_between(np.sqrt(f.spectrum.steady_notes(cents)), edges)
    each, none = load_net("chord").log_probabilities(*chord_inputs(plain, steady))
    out = np.concatenate((each.reshape(len(each), -1), none[:, None]), axis=1).astype(np.float64)
    level = np.linalg.norm(plain, axis=1)
    silent = level <= SILENT_SHARE * np.percentile(level, 90)
    out[silent] = CERTAIN
    out[silent, NO_CHORD] = 0.0
    return out


def key_preference(key: Key) -> FloatArray:
    """Log weight of each chord under the key [shape=(12 * qualities + 1,)]; zeros without one."""
    weight = np.zeros(NO_CHORD + 1)
    if key.tonic is None or key.mode is None:
        return weight
    scale = set(scale_pitch_classes(key.tonic, key.mode))
    if key.blues is not None:
        scale |= {(pitch_class_of(key.tonic) + step) % 12 for step in BLUES_STEPS[key.blues.minor]}
    if key.mode == "minor":
        scale |= {(pitch_class_of(key.tonic) + 11) % 12}
    for root in range(12):
        for q, name in enumerate(NAMES):
            if not {(root + s) % 12 for s in QUALITIES[name]} <= scale:
                weight[root * len(NAMES) + q] = OUTSIDE_KEY * key.confidence
    return weight


def change_probability(grid: Grid, edges: FloatArray) -> FloatArray:
    """Probability that a new chord starts on each edge but the last [shape=(steps,)]."""
    line = begins_bar(edges, grid)
    if line is None:
        return np.full(len(edges) - 1, CHANGE_WITHOUT_GRID)
    return np.where(line, CHANGE_ON_BAR, CHANGE_IN_BAR)


def begins_bar(edges: FloatArray, grid: Grid) -> npt.NDArray[np.bool_] | None:
    """Which steps between ``edges`` begin a bar [shape=(steps,)]; None without a grid."""
    lines = np.array([b for b, down in zip(grid.beats_s, grid.downbeats, strict=True) if down])
    if grid.tempo_bpm is None or len(lines) < 2:
        return None
    after = np.clip(np.searchsorted(lines, edges[:-1]), 1, len(lines) - 1)
    gap = np.minimum(np.abs(lines[after] - edges[:-1]), np.abs(lines[after - 1] - edges[:-1]))
    return np.asarray(gap < 0.01)


def smooth(evidence: FloatArray, change: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Viterbi path, and the forward-backward probability of its state in each step.

    Parameters
    ----------
    evidence : [shape=(n, states)], log weights
    change : [shape=(n,)], probability that the state of a step differs from the one before; when it
        does, every other state is as likely
    """
    n, states = evidence.shape
    stay, leave = np.log(1 - change), np.log(change / (states - 1))
    path = best_path(evidence, stay, leave)
    weight = softmax(evidence, axis=1)
    forward = np.zeros((n, states))
    forward[0] = weight[0]
    for i in range(1, n):
        seen = weight[i] * _spread(forward[i - 1], change[i], states)
        forward[i] = seen / seen.sum()
    behind = np.full(states, 1.0 / states)
    belief = np.zeros(n)
    belief[-1] = forward[-1][path[-1]]
    for i in range(n - 1, 0, -1):
        seen = weight[i] * behind
        behind = _spread(seen / seen.sum(), change[i], states)
        both = forward[i - 1] * behind
        belief[i - 1] = both[path[i - 1]] / both.sum()
    return path, belief


def _spread(p: FloatArray, change: float, states: int) -> FloatArray:
    """One step of the chain: stay, or go anywhere else with equal chance."""
    out: FloatArray = p * (1 - change) + (p.sum() - p) * change / (states - 1) + 1e-12
    return out
