"""The same rows counted otherwise: what speaks for it beside the networks, and the doubt that it leaves.

Rows that come in threes may be counted as they sound or, as sequencers show rows, by four or two: the tempo
is then 3/4 or 3/2 of what one hears. The sound alone hardly tells. Three things do:

* whole tempi. Who sets a tempo mostly sets a whole number (common practice). A beat rate of a whole number
  and a third, such as 178 2/3, has a whole one at 3/4 or 3/2 of it by chance as rarely as the fit is close
  (within 0.01 BPM: one time in fifty), but each time when the whole one was set and the rows are of three.
* where the snare is. One midway between bar lines halves the bar (half-time beats in triplets), and a bar in
  three has none there (common practice). Of 960 fresh beats 3 were counted in three all the same.
* how beats divide. Of 150 sequences and 600 beats and performances of `tests/training/` that no network had
  seen, 13 % and 5 % of those that divide in three are counted otherwise by their truth, of all others 2 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.rhythm.in_beats import LAGS, SLOTS, SPANS
from analyzers.rhythm.meter_evidence import SPANS_AT, Hypotheses
from analyzers.signal.onsets import BAND_EDGES_HZ

FloatArray = npt.NDArray[np.floating]
Tempi = tuple[tuple[float, float], ...]  # (beat period in pulses, probability), likeliest first

TERNARY_DOUBT = 0.1  # share of other counts where the beat divides in three, origins alike
WHOLE = 0.55  # share of steady tempi that are whole numbers (`demo.spec.draw_bpm`; sequences: .60)
MISREAD = 0.005  # songs that the networks, though sure, count by thirds (2 of 145 sequences, no other)
SAME_BARS = 0.4  # share of songs counted by thirds whose bar lines are true ones (10 of 24)
# Likeness of the chroma after two beats, or one, below which another chord, or bass note, sounds there. Of 10
# sequences read in four ternary beats with such chords 9 are in 6/8; of 14 more with such a bass 4 (8: 12/8).
# Songs that move are not asked: of three with such chords two are in four
OTHER_HARMONY, TWO_BEATS = -0.1, 0.8
OTHER_BASS, PERHAPS_TWO = 0.1, 0.3
# 166 2/3 BPM and half of it, in thirds: who leaves a module at its first tempo and writes rows of three gets
# it, as often as rows of four at 125 are heard so
MODULE = (500, 250)
# So much stronger midway than on the other beats of a bar in three, and between them (of 143 such readings 3;
# 2 of them are in four), the snare makes a bar in four so many times likelier
MIDWAY, HALVED = 0.2, 4.0
SNARE = slice(BAND_EDGES_HZ.index(1000.0), BAND_EDGES_HZ.index(7000.0))
OCTAVES = (0.5, 1.0, 2.0)
OTHERS = (4 / 3, 2 / 3)  # beat periods of the other counts, in those of the beat


@dataclass(frozen=True, slots=True)
class SteadyRate:
    """Pulses a minute of a steady fit, and the share of it that the fit leaves open."""

    pulse_bpm: float
    open_share: float


def whole_rivals(rate: SteadyRate | None, ratio: float) -> tuple[tuple[float, ...], float]:
    """Beat periods, in those of the beat, whose tempo is whole where the beat's is a whole number and a
    third, and how many times likelier that makes them; none, 1 otherwise.

    ratio : the beat's period in pulses
    """
    if rate is None:
        return (), 1.0
    bpm = rate.pulse_bpm / ratio
    thirds, open_bpm = round(3 * bpm), bpm * rate.open_share
    if thirds in MODULE or thirds % 3 == 0 or thirds % 2 or abs(thirds - 3 * bpm) > 3 * open_bpm:
        return (), 1.0
    by_chance = min(2 * open_bpm, 1.0)  # even thirds that are no whole number lie 2/3 BPM apart, two of three
    likelier = WHOLE * 2 / 3 / ((1 - WHOLE) * by_chance)
    return tuple(other for other in OTHERS if other == 2 / 3 or thirds % 4 == 0), likelier


def favoured(h: Hypotheses, p: FloatArray, best: int, likelier: float) -> FloatArray:
    """The probabilities with those of the whole tempi, at any octave, made so much likelier; but not where
    they cut the best reading's bars in three. Four beats of three rows are a bar of three beats of four that
    no accent bears out.
    """
    relation = h.ratio / h.ratio[best]
    rivals = np.isclose(relation[:, None], (*OTHERS, 1 / 3, 8 / 3)).any(axis=1)
    same_bars = np.isclose((relation * h.beats)[:, None], h.beats[best] * np.array(OCTAVES)).any(axis=1)
    rivals &= (h.beats != 3) | ~same_bars | np.isclose(relation, 1 / 3)
    return _weighed(p, rivals, likelier)


def halved(h: Hypotheses, p: FloatArray, best: int) -> FloatArray:
    """The probabilities with four beats for the three of the best reading's bars made likelier, where the
    snare halves these bars."""
    if h.beats[best] != 3:
        return p
    snare = h.hits(best)[SNARE].mean(axis=0)
    elsewhere = max(snare[1:3, 0].max(), snare[0:3:2, SLOTS // 2].max())
    if snare[1, SLOTS // 2] < elsewhere + MIDWAY:
        return p
    in_four = np.isclose(h.ratio / h.ratio[best], 3 / 4) & (h.beats == 4)
    return _weighed(p, in_four, HALVED)


def _weighed(p: FloatArray, which: npt.NDArray[np.bool_], likelier: float) -> FloatArray:
    """The probabilities where some are so many times likelier."""
    weighed = p * np.where(which, likelier, 1.0)
    out: FloatArray = weighed / weighed.sum()
    return out


def doubts(
    evidence: npt.NDArray[np.float32], rivals: tuple[float, ...], likelier: float
) -> dict[float, float]:
    """Share of doubt for other beat periods, in those of the beat; `rivals`, `likelier`: `whole_rivals`."""
    ternary = TERNARY_DOUBT if divides_in_three(evidence) else 0.0
    whole = MISREAD * likelier / (1 + MISREAD * likelier) if rivals else 0.0
    shares = dict.fromkeys(OTHERS, ternary / 2 * (1 - whole))
    for other in rivals:
        shares[other] += whole / len(rivals)
    return {other: share for other, share in shares.items() if share > 0.0}


def divides_in_three(evidence: npt.NDArray[np.float32]) -> bool:
    """Whether attacks come again after thirds of this hypothesis' beat, and less so after halves."""
    after = dict(zip(SPANS, evidence[SPANS_AT : SPANS_AT + len(SPANS)].tolist(), strict=True))
    return bool(min(after[1 / 3], after[2 / 3]) > max(after[1 / 2], 0.0))


def counted_in_two(evidence: npt.NDArray[np.float32]) -> float:
    """Probability that bars of four beats are two of 6/8 each: the beats divide in three, and the harmony is
    another one after every two of them; less, where the bass changes with every beat."""
    after_one, after_two = evidence[SPANS_AT - len(LAGS) :][:2].tolist()
    if not divides_in_three(evidence):
        return 0.0
    return TWO_BEATS if after_two < OTHER_HARMONY else PERHAPS_TWO if after_one < OTHER_BASS else 0.0


def doubted(tempi: Tempi, shares: dict[float, float]) -> Tempi:
    """The beat rates with `shares` for others than the likeliest, likeliest first."""
    best, left = tempi[0][0], 1.0 - sum(shares.values())
    out = {ratio: p * left for ratio, p in tempi}
    for other, share in shares.items():
        near = next((r for r in out if abs(r / (best * other) - 1) < 1e-6), best * other)
        out[near] = out.get(near, 0.0) + share
    return tuple(sorted(out.items(), key=lambda item: -item[1]))
