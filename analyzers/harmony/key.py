"""Key: tonic and scale of the music, how sure, and where it changes.

A network (`equivariant`) judges the tuned chroma of four registers together with the chords:
how long each lasts, which open and close, and which leads to which. It weighs six scales on twelve
tonics against "no key", and was calibrated on songs it was not trained on. The probabilities of major
(with mixolydian) and minor (with dorian, phrygian, harmonic minor) decide tonic and mode; the
scale is a church mode or harmonic minor only where that clearly fits better. A second and a third network
learned on what sounds like records, the third with a listener of its own for each beat (`key_steps`); their
opinions and how well the notes fit published key profiles are pooled.

A loop of two chords may leave open which note is home (`open_loop`): then no tonic is sure, the notes are.

Where the key changes, each stretch is judged so; one that is the stretch before moved by some semitones has
its key, moved as far. Stretches without a key ahead of the first one with a key are left out, as are unclear
ones ahead of clear ones: the key of a song begins where its opening noise or effects end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analyzers.harmony.chords import beat_edges, begins_bar, chord_evidence, mean_between
from analyzers.harmony.equivariant import load_net
from analyzers.harmony.heard import heard_notes, unheard_forms
from analyzers.harmony.key_belief import CHURCH_MODES, PLAIN_NAMES, SMALLEST, Belief, favoured_tones
from analyzers.harmony.key_change import find_changes
from analyzers.harmony.key_steps import step_means
from analyzers.harmony.network_inputs import (
    HEARD,
    Segment,
    key_inputs,
    metric_weight,
    record_inputs,
    register_chroma,
)
from analyzers.harmony.open_loop import left_open, open_home
from analyzers.harmony.spelling import scale_names, tonic_beside, tonic_name
from analyzers.model import Grid, Key, KeyCandidate, KeyChange, Tuning
from analyzers.signal.features import Features

LEAST_STEPS = 4
LEAST_NOTES, LEAST_PLAYED = 3, 0.2  # pitch classes of a sure key, and how much of each against the most
STILL_SHARE = 2 / 3  # of what is heard
OPEN_KEY = 0.8  # most of a key whose tonic or scale is open: under 0.8 once it is calibrated
# measured on notes that are rich in partials, roots of magnitudes; the fifth of voices that are detuned
THIRD_PARTIAL, FIFTH_PARTIAL = 0.5, 0.3
CLEAR_SHARE = 0.75  # effects before a song have 0.4 to 0.6 of its clearness, each key of it 0.9 of another's
ALIKE = 0.9  # cosine of the chords of two passages from which one is the other, moved
# How often each step above the tonic sounds in major and in minor (J. Albrecht and D. Shanahan, Music
# Perception 31, 2013; values from memory)
PROFILES = (
    (0.238, 0.006, 0.111, 0.006, 0.137, 0.094, 0.016, 0.214, 0.009, 0.080, 0.008, 0.081),
    (0.220, 0.006, 0.104, 0.123, 0.019, 0.103, 0.012, 0.214, 0.062, 0.022, 0.061, 0.052),
)

Floats = npt.NDArray[np.float32]


def find_key(f: Features, tuning: Tuning, grid: Grid) -> Key:
    """Key at the start of the track and the changes after it.

    ``tonic`` is None (confidence 0, with a reason) for drums, noise and music without a key.
    """
    edges = beat_edges(grid, f.duration_s)
    cents = tuning.cents or 0.0  # without held tones: as if in tune
    levels = mean_between(np.sqrt(f.spectrum.steady_notes(cents)), edges)
    if len(levels) < LEAST_STEPS or not levels.any():
        return _no_key("no notes to take a key from")
    evidence = np.exp(chord_evidence(f, cents, edges)).astype(np.float32)
    chords, none = evidence[:, :-1].reshape(len(evidence), 12, -1), evidence[:, -1]
    track = Segment(levels, chords, none, _place_in_meter(edges, grid))
    found = without_opening(_stretches(track))
    if not found:
        return _no_key("the notes fit no key: drums, noise or music without a tonal centre")
    played = heard_notes(f.spectrum, cents, np.array([0.0, f.duration_s]))[0]
    few = count_notes(played) < LEAST_NOTES
    key = _describe([replace(at, clear=0.0) if few else at for at in found], edges)
    return replace(key, unheard=unheard_forms(key.scale, key.mode, played))


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Steps in one key, from ``start`` on.

    ``change``: probability that the key changes there; ``clear``: `clearness` of what the key was taken from.
    """

    start: int
    change: float
    belief: Belief
    profile: Floats
    clear: float

    @property
    def told(self) -> Belief:
        """What is said of it: calibrated, and never sure where nothing is clear."""
        return self.belief.calibrated().dimmed(self.clear)


def _stretches(track: Segment) -> list[Stretch]:
    """One from each change of key to the next; no two neighbours have the same key."""

    @cache
    def signatures(start: int, stop: int) -> Floats:
        return judge(track.part(start, stop)).signatures

    found = [(0, 1.0), *find_changes(track, signatures)]
    while True:
        stops = [*(start for start, _ in found), len(track)]
        parts = [track.part(a, b) for a, b in pairwise(stops)]
        keys = _judged(parts)
        same = [k for k, (a, b) in enumerate(pairwise(keys), 1) if a[0].best == b[0].best]
        if not same:
            return [Stretch(start, change, *key) for (start, change), key in zip(found, keys, strict=True)]
        del found[same[0]]


def without_opening(found: Sequence[Stretch]) -> list[Stretch]:
    """From the first stretch with a key on. An opening whose chords are far less clear than those of what
    follows is effects, also where it resembles a key."""
    left = list(found)
    while left and (left[0].belief.keyless or left[0].clear < CLEAR_SHARE * max(at.clear for at in left[:2])):
        del left[0]
    return left


def _judged(parts: Sequence[Segment]) -> list[tuple[Belief, Floats, float]]:
    """What is believed of each part, its profile and `clearness`; of the part before moved the same moved."""
    found: list[tuple[Belief, Floats, float]] = []
    for number, part in enumerate(parts):
        by = moved_by(parts[number - 1], part) if number else None
        if by is None:
            belief, profile = judge(part).pooled(*judge_as_record(part)), _profile(part.levels)
            tonic, side = belief.best
            mode = belief.mode(tonic, side, profile)
            belief = left_open(belief, mode, open_home(part), OPEN_KEY)
            if stands_still(part) and favoured_tones(tonic, mode, profile.tolist()):
                belief = belief.at_most(OPEN_KEY)
            found.append((belief, profile, clearness(part)))
        else:
            belief, profile, clear = found[-1]
            found.append((belief.moved(by), np.roll(profile, by), clear))
    return found


def moved_by(before: Segment, after: Segment) -> int | None:
    """Semitones from one segment up to another whose chords are the same but for that; None otherwise."""
    one, two = (x.chords.mean(axis=0) for x in (before, after))
    size = max(float(np.linalg.norm(one) * np.linalg.norm(two)), SMALLEST)
    alike = [float((np.roll(one, by, axis=0) * two).sum()) / size for by in range(12)]
    best = int(np.argmax(alike))
    return best if best and alike[best] >= ALIKE else None


def judge(segment: Segment) -> Belief:
    """What the first network makes of a segment of steps."""
    each, _ = load_net("key").log_probabilities(*key_inputs(segment))
    return Belief(np.exp(each[0]))


def judge_as_record(segment: Segment) -> tuple[tuple[Belief, Belief], Floats]:
    """What the second and the third network make of it, and `profile_fit` of its notes."""
    chroma, scalars = record_inputs(segment)
    more = np.concatenate((chroma, step_means(segment)), axis=1)
    second, _ = load_net("key_recorded").log_probabilities(chroma, scalars)
    third, _ = load_net("key_heard").log_probabilities(more, scalars)
    return (Belief(np.exp(second[0])), Belief(np.exp(third[0]))), profile_fit(chroma[0, :4].sum(axis=0))


def profile_fit(chroma: Floats) -> Floats:
    """Correlation of pitch classes [shape=(12,)] with `PROFILES` on each tonic [shape=(12, 2)].

    0 where nothing sounds. Source: C. Krumhansl, "Cognitive Foundations of Musical Pitch" (1990), chapter 4.
    """
    size = float(chroma.std())
    if size < SMALLEST:
        return np.zeros((12, 2), np.float32)
    seen = (chroma - chroma.mean()) / size
    shapes = np.array(PROFILES) - np.mean(PROFILES, axis=1, keepdims=True)
    shapes /= shapes.std(axis=1, keepdims=True)
    return np.array([[np.roll(seen, -t) @ p / 12 for p in shapes] for t in range(12)], np.float32)


def clearness(segment: Segment) -> float:
    """Mean probability of the likeliest chord where one is likely at all, 0 when nowhere."""
    heard = segment.none < HEARD
    return float(segment.chords.reshape(len(segment), -1)[heard].max(axis=1).mean()) if heard.any() else 0.0


def stands_still(segment: Segment) -> bool:
    """Whether most of what is heard has one root, as over a pedal: the chords do not tell the scale."""
    roots = segment.chords.sum(axis=(0, 2))
    return bool(roots.max() >= STILL_SHARE * max(float(roots.sum()), SMALLEST))


def count_notes(played: npt.NDArray[np.float64]) -> int:
    """How many pitch classes count: one or two make any chord clear, and fit many keys.

    A fifth and a major third count where they are more than partials of the note below can be.
    """
    partials = np.maximum(THIRD_PARTIAL * np.roll(played, 7), FIFTH_PARTIAL * np.roll(played, 4))
    return int(np.count_nonzero(played > np.maximum(LEAST_PLAYED * played.max(), partials)))


def _place_in_meter(edges: npt.NDArray[np.float64], grid: Grid) -> Floats | None:
    down = begins_bar(edges, grid)
    if down is None or not down.any():
        return None
    bar_one = edges[:-1][down][0] if grid.bar_one_s is None else grid.bar_one_s
    return metric_weight(down, int(np.argmin(np.abs(edges[:-1] - bar_one))))


def _profile(levels: Floats) -> Floats:
    """Weight of each pitch class, all registers together, sum 1 [shape=(12,)]."""
    chroma = register_chroma(levels).sum(axis=(0, 1))
    return np.asarray(chroma / max(float(chroma.sum()), 1e-9), np.float32)


def _describe(stretches: Sequence[Stretch], edges: npt.NDArray[np.float64]) -> Key:
    """The first one's key, and a change to each that begins later, the first among them."""
    first, belief = stretches[0], stretches[0].told
    tonic, mode, confidence, alternatives = _named(belief, first.profile)
    best, side = belief.best
    beside = partial(_candidate, belief, tonic, mode)
    changes = []
    for stretch in (at for at in stretches if at.start):
        there = _named(stretch.told, stretch.profile)
        at_s = float(edges[stretch.start])
        changes.append(KeyChange(at_s, *there[:2], round(stretch.change, 4), *there[2:]))
    return Key(
        tonic=tonic,
        mode=mode,
        confidence=confidence,
        scale=scale_names(tonic, mode),
        alternatives=alternatives,
        relative=beside(best + 9, 1) if side == 0 else beside(best + 3, 0),
        parallel=beside(best, 1 - side),
        changes=tuple(changes),
        profile=tuple(round(float(v), 4) for v in first.profile),
    )


def _named(belief: Belief, profile: Floats) -> tuple[str, str, float, tuple[KeyCandidate, ...]]:
    """Tonic, mode, confidence, and what else it may be, none of it likelier.

    A church mode is told apart from the plain key where one of the two is still the likeliest of all, and
    that one is named; else the plain name stands for both.
    """
    best, side = belief.best
    mode, every = belief.mode(best, side, profile), belief.confidence
    church = every * belief.sure_of_mode(best, mode, profile) if mode in CHURCH_MODES else 0.0
    rival = float(np.sort(belief.plain, axis=None)[-2])
    apart = church > 0 and max(church, every - church) >= rival
    name = mode if not church or (apart and church >= every / 2) else PLAIN_NAMES[side]
    tonic = tonic_name(best, name)
    ranked = [divmod(int(i), 2) for i in np.argsort(belief.plain, axis=None)[::-1][:5]]
    own, *others = (_candidate(belief, tonic, name, *r) for r in ranked)
    if apart:
        kinds = (
            KeyCandidate(tonic, mode, round(church, 4)),
            replace(own, probability=round(every - church, 4)),
        )
        own, other = kinds if name == mode else kinds[::-1]
        others.append(other)
    alternatives = sorted([own, *others], key=lambda c: -c.probability)
    return tonic, name, own.probability, tuple(alternatives[:5])


def _candidate(belief: Belief, tonic: str, mode: str, other: int, side: int) -> KeyCandidate:
    """Another key, spelled as beside the one on `tonic`."""
    name = PLAIN_NAMES[side]
    spelled = tonic_beside(other % 12, name, tonic, mode)
    return KeyCandidate(spelled, name, round(float(belief.plain[other % 12, side]), 4))


def _no_key(reason: str) -> Key:
    return Key(None, None, 0.0, (), (), None, None, (), (), reason)
