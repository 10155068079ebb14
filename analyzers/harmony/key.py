"""Key: tonic and scale of the music, how sure, and where it changes.

A network (`equivariant`) judges the tuned chroma of four registers together with the chords:
how long each lasts, which open and close, and which leads to which. It weighs six scales on twelve
tonics against "no key", and was calibrated on songs it was not trained on. The probabilities of major
(with mixolydian) and minor (with dorian, phrygian, harmonic minor) decide tonic and mode; the
scale is a church mode or harmonic minor only where that clearly fits better. A second and a third network
learned on what sounds like records, the third with a listener of its own for each beat (`key_steps`); their
opinions and how well the notes fit published key profiles are pooled.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, softmax

from analyzers.harmony.chords import beat_edges, begins_bar, chord_evidence, mean_between
from analyzers.harmony.equivariant import load_net
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
from analyzers.harmony.spelling import home_of, scale_names, tonic_beside, tonic_name
from analyzers.model import Grid, Key, KeyCandidate, KeyChange, Tuning
from analyzers.signal.features import Features

MODES = ("major", "minor", "dorian", "phrygian", "mixolydian", "harmonic minor")
PLAIN = {"major": 0, "mixolydian": 0, "minor": 1, "dorian": 1, "phrygian": 1, "harmonic minor": 1}
PLAIN_NAMES = ("major", "minor")
# steps above the tonic: the tone that sets a scale apart, and the one it has in plain major or minor
APART = {"dorian": (9, 8), "phrygian": (1, 2), "mixolydian": (10, 11), "harmonic minor": (11, 10)}
SURE_OF_SCALE, SCALE_POSSIBLE, FAR_STRONGER = 0.65, 0.35, 2.0
MURKY, MURKY_CONFIDENCE = 0.45, 0.45  # clearness under which the key is at most so sure
LEAST_STEPS = 4
# Shares in the pool of opinions (beats, records, records beat by beat) and weight of the profiles: chosen on
# generated bands, sequences and beats, where they matter little
SHARES, PROFILE_WEIGHT = (0.15, 0.4, 0.45), 1.5
SMALLEST = 1e-6  # probability of what an opinion rules out
# How often each step above the tonic sounds in major and in minor (J. Albrecht and D. Shanahan, Music
# Perception 31, 2013; values from memory)
PROFILES = (
    (0.238, 0.006, 0.111, 0.006, 0.137, 0.094, 0.016, 0.214, 0.009, 0.080, 0.008, 0.081),
    (0.220, 0.006, 0.104, 0.123, 0.019, 0.103, 0.012, 0.214, 0.062, 0.022, 0.061, 0.052),
)
# A pool wants calibration (Ranjan and Gneiting, J. R. Statist. Soc. B 72, 2010): a slope on its log odds.
# Least cross-entropy on bands, sequences and beats that no network has seen: 0.85; records are further off
SLOPE = 0.75
HOMES = np.array([[home_of(tonic, mode) for mode in MODES] for tonic in range(12)])

Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """Probability of each scale [shape=(12, 6)]; the rest, up to 1, is "no key"."""

    scales: Floats

    @property
    def plain(self) -> Floats:
        """Probability of major and minor on each tonic [shape=(12, 2)]."""
        side = np.array([PLAIN[m] for m in MODES])
        return np.stack(
            (self.scales[:, side == 0].sum(axis=1), self.scales[:, side == 1].sum(axis=1)), axis=1
        )

    @property
    def best(self) -> tuple[int, int]:
        tonic, side = np.unravel_index(int(np.argmax(self.plain)), (12, 2))
        return int(tonic), int(side)

    @property
    def confidence(self) -> float:
        return float(self.plain.max())

    @property
    def none(self) -> float:
        """Probability that there is no key."""
        return max(0.0, 1 - float(self.scales.sum()))

    @property
    def keyless(self) -> bool:
        """Whether "no key" is likelier than all keys together: music with one of many keys has a key."""
        return self.none > 0.5

    def pooled(self, others: tuple[Belief, Belief], fit: Floats) -> Belief:
        """All opinions on the 24 keys and none, each to the power of its share, times what the notes say
        (a logarithmic opinion pool: Genest and Zidek, Statist. Sci. 1, 1986). The scales of one key share
        its probability as the first, which knows them better, has it.

        fit : correlation of the notes with the profile of each key [shape=(12, 2)]
        """
        every = tuple(zip(SHARES, (self, *others), strict=True))
        keys = sum(share * np.log(one.plain + SMALLEST) for share, one in every)
        none = sum(share * np.log(one.none + SMALLEST) for share, one in every)
        flat = softmax(np.append(keys + PROFILE_WEIGHT * (fit - fit.max()), none))[:-1].reshape(12, 2)
        inside = Belief(self.scales + np.float32(1e-3) * others[0].scales)
        side = [PLAIN[m] for m in MODES]
        return Belief(inside.scales * (flat / np.maximum(inside.plain, 1e-12))[:, side].astype(np.float32))

    def calibrated(self) -> Belief:
        """The same, with the calibrated probability of the best where that is likelier than not.

        All else shares what is left, as it did before; the best stays the best.
        """
        p = self.confidence
        if not 0.5 < p < 1:
            return self
        sure = float(expit(SLOPE * logit(p)))
        tonic, side = self.best
        scales = self.scales * np.float32((1 - sure) / (1 - p))
        own = np.array([PLAIN[m] == side for m in MODES])
        scales[tonic, own] = self.scales[tonic, own] * np.float32(sure / p)
        return Belief(scales)

    def dimmed(self, clear: float) -> Belief:
        """The same, but never sure where no chord is clear: drums with a pitch, clusters, effects."""
        top = MURKY_CONFIDENCE / max(self.confidence, 1e-9)
        return self if clear >= MURKY or top >= 1 else Belief(self.scales * np.float32(top))

    @property
    def signatures(self) -> Floats:
        """Probability of each key signature, by the tonic of its major key [shape=(12,)]."""
        out = np.zeros(12, np.float32)
        np.add.at(out, HOMES, self.scales)
        return out

    def mode(self, tonic: int, side: int, profile: Floats) -> str:
        """Name of the scale on this tonic: a church mode or harmonic minor only where it clearly fits better.

        Clearly: the network is sure of it, or finds it possible and the tone that sets the scale apart is
        far stronger than the one it replaces in ``profile`` [shape=(12,)].
        """
        own = [i for i, m in enumerate(MODES) if PLAIN[m] == side]
        share = self.scales[tonic, own] / max(float(self.scales[tonic, own].sum()), 1e-9)
        for i in np.argsort(share)[::-1]:
            name = MODES[own[int(i)]]
            if name not in APART:
                continue
            its, plain = (float(profile[(tonic + step) % 12]) for step in APART[name])
            if share[i] >= SURE_OF_SCALE or (share[i] >= SCALE_POSSIBLE and its >= FAR_STRONGER * plain):
                return name
        return PLAIN_NAMES[side]


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
    first, changes = _changes(track, edges)
    end = int(np.searchsorted(edges, changes[0].at_s)) if changes else len(levels)
    home = track.part(0, end)
    others, fit = judge_as_record(home)
    pool = first.pooled(others, fit)
    if pool.keyless:
        return _no_key("the notes fit no key: drums, noise or music without a tonal centre")
    return _describe(pool.calibrated().dimmed(clearness(track)), changes, _profile(levels[:end]))


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


def _place_in_meter(edges: npt.NDArray[np.float64], grid: Grid) -> Floats | None:
    down = begins_bar(edges, grid)
    if down is None or not down.any():
        return None
    bar_one = edges[:-1][down][0] if grid.bar_one_s is None else grid.bar_one_s
    return metric_weight(down, int(np.argmin(np.abs(edges[:-1] - bar_one))))


def _changes(track: Segment, edges: npt.NDArray[np.float64]) -> tuple[Belief, tuple[KeyChange, ...]]:
    """The key up to the first change, and the changes."""

    @cache
    def between(start: int, stop: int) -> Belief:
        return judge(track.part(start, stop))

    found = find_changes(track, lambda start, stop: between(start, stop).signatures)
    stops = [step for step, _ in found] + [len(track)]
    first = here = between(0, stops[0])
    changes = []
    for (start, sure), stop in zip(found, stops[1:], strict=True):
        after = between(start, stop)
        if after.best != here.best:
            tonic, side = after.best
            mode = after.mode(tonic, side, _profile(track.levels[start:stop]))
            changes.append(KeyChange(float(edges[start]), tonic_name(tonic, mode), mode, round(sure, 4)))
            here = after
    return first, tuple(changes)


def _profile(levels: Floats) -> Floats:
    """Weight of each pitch class, all registers together, sum 1 [shape=(12,)]."""
    chroma = register_chroma(levels).sum(axis=(0, 1))
    return np.asarray(chroma / max(float(chroma.sum()), 1e-9), np.float32)


def _describe(belief: Belief, changes: tuple[KeyChange, ...], profile: Floats) -> Key:
    plain = belief.plain
    best, side = belief.best
    mode = belief.mode(best, side, profile)

    def candidate(tonic: int, side: int) -> KeyCandidate:
        tonic %= 12
        name = PLAIN_NAMES[side]
        spelled = tonic_beside(tonic, name, tonic_name(best, mode), mode)
        return KeyCandidate(spelled, name, round(float(plain[tonic, side]), 4))

    ranked = [divmod(int(i), 2) for i in np.argsort(plain, axis=None)[::-1][:5]]
    return Key(
        tonic=tonic_name(best, mode),
        mode=mode,
        confidence=round(belief.confidence, 4),
        scale=scale_names(best, mode),
        alternatives=tuple(candidate(*r) for r in ranked),
        relative=candidate(best + 9, 1) if side == 0 else candidate(best + 3, 0),
        parallel=candidate(best, 1 - side),
        changes=changes,
        profile=tuple(round(float(v), 4) for v in profile),
    )


def _no_key(reason: str) -> Key:
    return Key(None, None, 0.0, (), (), None, None, (), (), reason)
