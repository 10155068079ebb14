"""Is it a blues, and on which tonic? Told by the form: which chord stands in which bar.

In a blues the minor seventh and the lowered third belong to the tonic, so that its notes fit the key a
fifth below, the minor key or a church mode as well. The form does not: the fourth degree enters in bar 5,
the tonic returns in bar 7, the fifth stands in bar 9. Every tonic, every beginning and the bar, its half
and its double are tried; the fit is the share of time in which the chord sounds that the form has there.

A song that merely uses these chords fits a short loop better. So a blues must gain on the best loop of one,
two and four bars (eight and sixteen where there is enough music), hold its chords in each part of the form,
have some of its sevenths, and be long enough for one chorus. A logistic model on these says how sure. Drones
on one chord and pieces shorter than a chorus are never called a blues.

Sources: twelve bars, B. Benward and M. Saker, Music in Theory and Practice I (7th edition, 2003), p. 186;
minor blues and the cadence by the second degree, M. Levine, The Jazz Theory Book (1995), chapter "The
Blues" (from memory); quick change and eight bars: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from analyzers.harmony.chords import NAMES, beat_edges, chord_evidence
from analyzers.harmony.relatives import parallel_key, relative_key
from analyzers.harmony.spelling import is_minor, pitch_class_of, scale_names, tonic_name
from analyzers.model import Blues, Grid, Key, KeyCandidate, Tuning
from analyzers.signal.features import Features

FloatArray = npt.NDArray[np.float64]
Place = tuple[tuple[int, int], ...]  # (steps above the tonic, 0 major or 1 minor) that may stand in a bar

# how well each quality heard serves as a major and as a minor chord: voices bend thirds, guitars omit them
SERVES = {
    "maj": (1, 0), "min": (0.5, 1), "7": (1, 0), "maj7": (0.3, 0), "min7": (0.5, 1),
    "sus4": (1, 0.3), "sus2": (0.5, 0.3), "dim": (0, 0.3), "aug": (0, 0),
}  # fmt: skip
FEWEST_BARS, LONG_BARS = 10, 24
SHORT_LOOPS, LONG_LOOPS = (1, 2, 4), (8, 16)  # bars
INTRODUCTIONS = (0, 4, 8)  # bars before the first chorus ...
SKIPPED_COST = 0.005  # ... each of which must be made good by a better fit
WORST_WEIGHT = 0.5  # of the worst part beside the mean fit, when beginnings are compared
LEAST_FIT, LEAST_PART, LEAST_GAIN = 0.5, 0.4, 0.05
TWELVE_SEVENTHS, EIGHT_SEVENTHS = 0.25, 0.5  # least share; songs, too, have eight such bars
PROBABLE = 0.8
# logistic model on fit, worst part, gain on loops and sevenths; made by tests/training/blues_fit.py
OFFSET, SLOPES = -8.78, (6.21, 7.81, 9.32, 5.06)


@dataclass(frozen=True, slots=True)
class Form:
    """``bars`` : what may stand in each; ``parts`` : bars that must hold; ``home``, ``away`` : bars of the
    first and the fourth degree, where a blues has minor sevenths; ``sevenths`` : least share of them
    """

    minor: bool
    bars: tuple[Place, ...]
    parts: tuple[tuple[int, ...], ...]
    home: tuple[int, ...]
    away: tuple[int, ...]
    sevenths: float = TWELVE_SEVENTHS


@dataclass(frozen=True, slots=True)
class Fit:
    """A form laid on the music from step `first` on; `turn`: which bar of the form stands there."""

    form: Form
    tonic: int
    beats: int  # in a bar of the form
    first: int
    turn: int
    fit: float
    worst: float
    gain: float
    sevenths: float

    @property
    def evidence(self) -> tuple[float, ...]:
        return self.fit, self.worst, self.gain, self.sevenths

    @property
    def probability(self) -> float:
        return float(expit(OFFSET + np.dot(SLOPES, self.evidence)))


def _major(*degrees: int) -> Place:
    return tuple((degree, 0) for degree in degrees)


def _minor(*degrees: int) -> Place:
    return tuple((degree, 1) for degree in degrees)


@cache
def forms() -> tuple[Form, ...]:
    """Twelve bars in major and in minor with their usual variants, and eight bars."""
    one, four, five = _major(0), _major(5), _major(7)
    low, low_four = _minor(0), _minor(5)
    twelve = (one, _major(0, 5), one, one, four, four, one, _major(0, 9))
    close = (five + _minor(2), _major(7, 5), one, _major(7, 0))
    small = (low, _minor(0, 5), low, low, low_four, low_four, low, low)
    small_close = (_major(7, 8) + _minor(7, 2), five + _minor(5, 7), low, five + _minor(0, 7))
    eight = (one, five, four, four, one, five, one, _major(7, 0))
    parts = ((0, 2, 3), (4, 5), (6, 7), (8,), (10,))
    return (
        Form(False, twelve + close, parts, (0, 2, 3, 6, 10), (4, 5)),
        Form(True, small + small_close, parts, (0, 2, 3, 6, 10), (4, 5)),
        Form(False, eight, ((0,), (1,), (2, 3), (4,), (5,), (6,)), (0, 4, 6), (2, 3), EIGHT_SEVENTHS),
    )


def find_blues(f: Features, tuning: Tuning, grid: Grid) -> Blues | None:
    """The blues that the music is, None where it is none, cannot be told, or has no bars to tell it by."""
    if grid.tempo_bpm is None or not grid.beats_per_bar:
        return None
    edges = beat_edges(grid, f.duration_s)
    found = best_fit(chord_evidence(f, tuning.cents or 0.0, edges), grid.beats_per_bar)
    if found is None or found.probability < PROBABLE:
        return None
    bars = len(found.form.bars)
    start = found.first + (-found.turn % bars) * found.beats
    return Blues(
        tonic=tonic_name(found.tonic, "minor" if found.form.minor else "major"),
        minor=found.form.minor,
        bars=bars,
        first_chorus_s=float(edges[start]),
        confidence=round(found.probability, 4),
    )


def best_fit(evidence: npt.NDArray[np.floating], beats_per_bar: int) -> Fit | None:
    """The form that fits best and passes; None when none does.

    evidence : log probability of each chord and of none in each beat [shape=(beats, 12 * qualities + 1)]
    """
    heard = np.exp(evidence[:, :-1].astype(np.float64)).reshape(len(evidence), 12, len(NAMES))
    served = heard @ np.array([SERVES[name] for name in NAMES], float)
    lengths = {beats_per_bar, 2 * beats_per_bar, *([beats_per_bar // 2] if beats_per_bar % 2 == 0 else [])}
    best, most = None, 0.0
    for beats in sorted(lengths):
        if len(served) < FEWEST_BARS * beats:
            continue
        bars = _mean_of(served, beats)
        for form in forms():
            match = _match(bars, form)
            for first in range(beats):
                for skip in INTRODUCTIONS:
                    here = first + skip * beats
                    worth, laid = _lay(match[here::beats], form)
                    if worth - SKIPPED_COST * skip > most:
                        most, best = worth - SKIPPED_COST * skip, (form, beats, here, *laid)
    return None if best is None else _passing(heard, served, *best)


def _mean_of(served: FloatArray, beats: int) -> FloatArray:
    """Mean over `beats` steps from each step on [shape=(n - beats + 1, ...)]."""
    total = np.concatenate((np.zeros((1, *served.shape[1:])), np.cumsum(served, axis=0)))
    return np.asarray((total[beats:] - total[:-beats]) / beats)


def _match(bars: FloatArray, form: Form) -> FloatArray:
    """How much of a bar from each step on sounds what each place has [shape=(n, 12 tonics, places)]."""
    return np.stack(
        [np.max([np.roll(bars[:, :, kind], -d, axis=1) for d, kind in place], axis=0) for place in form.bars],
        axis=2,
    )


def _lay(match: FloatArray, form: Form) -> tuple[float, tuple[int, int, float, float]]:
    """Best worth of the form on these bars, with tonic, turn, mean fit and that of the worst part.

    match : [shape=(bars, 12, places)]; a part of the form that has no bar here counts as not there
    """
    count = len(match)
    if count < FEWEST_BARS:
        return 0.0, (0, 0, 0.0, 0.0)
    bar, place, parts = _places(form, count)
    laid = match[bar, :, place]  # turns, bars, tonics
    fit = laid.mean(axis=1)
    worst = (laid.transpose(0, 2, 1) @ parts).min(axis=2)
    worth = fit + WORST_WEIGHT * worst
    turn, tonic = (int(i) for i in np.unravel_index(int(np.argmax(worth)), worth.shape))
    return float(worth[turn, tonic]), (tonic, turn, float(fit[turn, tonic]), float(worst[turn, tonic]))


@lru_cache(64)
def _places(form: Form, count: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], FloatArray]:
    """Bars, the place of each by turn, its weight in the mean of each part [shape=(turns, bars, parts)]."""
    bar = np.arange(count)
    place = (bar + np.arange(len(form.bars))[:, None]) % len(form.bars)
    inside = np.stack([np.isin(place, part) for part in form.parts], axis=2)
    return bar, place, inside / np.maximum(inside.sum(axis=1, keepdims=True), 1)


def _passing(
    heard: FloatArray, served: FloatArray, form: Form, beats: int, first: int, tonic: int, turn: int,
    fit: float, worst: float,
) -> Fit | None:  # fmt: skip
    count = (len(served) - first) // beats
    bars = served[first : first + count * beats].reshape(count, beats, -1).mean(axis=1)
    loops = SHORT_LOOPS + (LONG_LOOPS if count >= LONG_BARS and len(form.bars) not in LONG_LOOPS else ())
    gain = fit - max(loop_fit(bars, period) for period in loops)
    sevenths = _sevenths(heard[first:], form, beats, tonic, turn)
    if fit < LEAST_FIT or worst < LEAST_PART or gain < LEAST_GAIN or sevenths < form.sevenths:
        return None
    return Fit(form, tonic, beats, first, turn, fit, worst, gain, sevenths)


def loop_fit(bars: FloatArray, period: int) -> float:
    """How well the best loop of so many bars fits [bars: shape=(n, chords)]; 0 if it comes but once."""
    if len(bars) < 2 * period:
        return 0.0
    return float(sum(bars[k::period].sum(axis=0).max() for k in range(period)) / len(bars))


def _sevenths(heard: FloatArray, form: Form, beats: int, tonic: int, turn: int) -> float:
    """Share of the first and fourth degrees that have a minor seventh, the mean of both degrees."""
    own, plain = ("min7", "min") if form.minor else ("7", "maj")
    bar = (np.arange(len(heard)) // beats + turn) % len(form.bars)
    shares = []
    for degree, places in ((0, form.home), (5, form.away)):
        there = heard[np.isin(bar, places), (tonic + degree) % 12].sum(axis=0)
        seventh = float(there[NAMES.index(own)])
        shares.append(seventh / max(seventh + float(there[NAMES.index(plain)]), 1e-9))
    return float(np.mean(shares))


def settled(key: Key, blues: Blues | None) -> Key:
    """The key with the tonic that the form has; its fourth degree is no change of key.

    Both being sure of one key, the surer is believed; else the form is.
    """
    if blues is None:
        return key
    mode = "minor" if blues.minor else "major"
    tonic = pitch_class_of(blues.tonic)
    own = (tonic, blues.minor)
    agrees = key.tonic is not None and (pitch_class_of(key.tonic), is_minor(key.mode or mode)) == own
    confidence = max(key.confidence, blues.confidence) if agrees else blues.confidence
    others = [c for c in key.alternatives if (pitch_class_of(c.tonic), is_minor(c.mode)) != own]
    left = (1 - confidence) / max(sum(c.probability for c in others), 1 - confidence, 1e-9)
    rest = [replace(c, probability=round(c.probability * left, 4)) for c in others]
    weighed = replace(key, alternatives=tuple(rest), relative=None, parallel=None)
    return replace(
        key,
        tonic=blues.tonic,
        mode=mode,
        confidence=confidence,
        scale=scale_names(blues.tonic, mode),
        alternatives=(KeyCandidate(blues.tonic, mode, confidence), *rest),
        relative=relative_key(weighed, blues.tonic, mode),
        parallel=parallel_key(weighed, blues.tonic, mode),
        changes=(),
        reason=None,
        blues=blues,
    )
