"""What is believed of the key: a probability for each scale on each tonic, pooled of several opinions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, softmax

from analyzers.harmony.spelling import home_of

MODES = ("major", "minor", "dorian", "phrygian", "mixolydian", "harmonic minor")
PLAIN = {"major": 0, "mixolydian": 0, "minor": 1, "dorian": 1, "phrygian": 1, "harmonic minor": 1}
PLAIN_NAMES = ("major", "minor")
# steps above the tonic: the tone that sets a scale apart, and the one it has in plain major or minor
APART = {"dorian": (9, 8), "phrygian": (1, 2), "mixolydian": (10, 11), "harmonic minor": (11, 10)}
CHURCH_MODES = ("dorian", "phrygian", "mixolydian")
# A tone that related scales have (lydian fourth, mixolydian seventh, both sixths and sevenths of minor), and
# the tone of this scale that it stands for
RELATED = {
    "major": ((6, 5), (10, 11)),
    "mixolydian": ((11, 10), (6, 5)),
    "minor": ((9, 8), (1, 2), (11, 10)),
    "dorian": ((8, 9), (11, 10)),
    "phrygian": ((2, 1), (11, 10)),
    "harmonic minor": ((10, 11), (9, 8)),
}
# Sixth and seventh of these scales, and the other form of each
OTHER_FORM_IN, OTHER_FORM = ("minor", "dorian"), {8: 9, 9: 8, 10: 11}
PRESENT = 0.03  # of all notes: less of a tone may be partials of others
SURE_OF_SCALE, SCALE_POSSIBLE, FAR_STRONGER = 0.65, 0.35, 2.0
LIKELIER = float(expit(logit(SCALE_POSSIBLE) + np.log(FAR_STRONGER)))  # possible, and its tone stronger
MURKY, MURKY_CONFIDENCE = 0.45, 0.45  # clearness under which the key is at most so sure
# Shares in the pool of opinions (beats, records, records beat by beat) and weight of the profiles: chosen on
# generated bands, sequences and beats, where they matter little
SHARES, PROFILE_WEIGHT = (0.15, 0.4, 0.45), 1.5
SMALLEST = 1e-6  # probability of what an opinion rules out
# A pool wants calibration (Ranjan and Gneiting, J. R. Statist. Soc. B 72, 2010): a slope on its log odds.
# Least cross-entropy on bands, sequences and beats that no network has seen: 0.85; records are further off
SLOPE = 0.75
HOMES = np.array([[home_of(tonic, mode) for mode in MODES] for tonic in range(12)])

Floats = npt.NDArray[np.float32]


def favoured_tones(tonic: int, mode: str, profile: Sequence[float]) -> set[int]:
    """Pitch classes of related scales that sound as much as those of this scale that they stand for."""
    pairs = [((tonic + other) % 12, (tonic + own) % 12) for other, own in RELATED[mode]]
    return {other for other, own in pairs if profile[other] >= max(profile[own], PRESENT)}


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
        """All opinions, each to the power of its share (a logarithmic pool: Genest and Zidek, Statist. Sci.
        1, 1986): on whether there is a key, and on which of the 24 it is, if any, times what the notes say.

        Pooled at once, "no key" would gain wherever opinions differ on which key it is: all keys shrink, it
        does not. The scales of one key share its probability as the first, which knows them better, has it.

        fit : correlation of the notes with the profile of each key [shape=(12, 2)]
        """
        every = tuple(zip(SHARES, (self, *others), strict=True))
        keys = sum(share * np.log(one.plain + SMALLEST) for share, one in every)
        odds = (logit(np.clip(1 - one.none, SMALLEST, 1 - SMALLEST)) for _, one in every)
        some = expit(np.dot(SHARES, list(odds)))
        flat = some * softmax(keys + PROFILE_WEIGHT * fit)
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
        return self if clear >= MURKY else self.at_most(MURKY_CONFIDENCE)

    def at_most(self, top: float) -> Belief:
        """The same, the best no surer than that; what is taken away goes to "no key"."""
        share = top / max(self.confidence, 1e-9)
        return self if share >= 1 else Belief(self.scales * np.float32(share))

    def shared(self, top: float, tonic: int, mode: str) -> Belief:
        """The same, the best no surer than that; what is taken away goes to another key."""
        best, side = self.best
        lost = max(self.confidence - top, 0.0)
        own = np.array([PLAIN[m] == side for m in MODES])
        scales = self.scales.copy()
        scales[best, own] *= np.float32(1 - lost / max(self.confidence, 1e-9))
        scales[tonic, MODES.index(mode)] += np.float32(lost)
        return Belief(scales)

    def moved(self, by: int) -> Belief:
        """The same, so many semitones higher."""
        return Belief(np.roll(self.scales, by, axis=0))

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

    def sure_of_mode(self, tonic: int, mode: str, profile: Floats) -> float:
        """Probability of a church mode among the scales of its key. Where its tone is not far stronger than
        the one it replaces, both may belong to the key, and it is less.

        1 in plain major and minor, and in harmonic minor, a kind of minor: both sevenths are usual there.
        """
        if mode not in CHURCH_MODES:
            return 1.0
        own = [i for i, m in enumerate(MODES) if PLAIN[m] == PLAIN[mode]]
        share = float(self.scales[tonic, MODES.index(mode)]) / max(float(self.scales[tonic, own].sum()), 1e-9)
        its, plain = (float(profile[(tonic + step) % 12]) for step in APART[mode])
        return max(share, LIKELIER) if its >= FAR_STRONGER * plain else share * its / max(its + plain, 1e-9)
