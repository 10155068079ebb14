"""Bar lines half a beat off: harmony may speak for them, drums against them.

Chords and bass that come an eighth ahead of every bar line (anticipation, common practice) take all that
tells of harmony along, and networks that have learned that chords change on bar lines put the whole grid on
the "and". Drums stay where they are. So where bar lines half a beat off are not out of the question, the
networks are asked about this beat rate once more, without what chords and bass tell: chroma changes, turns,
attacks below 1 kHz. (They were trained with parts of the evidence missing, `tests/training/learn.py`.) Both
opinions together say how likely the other bar lines are: logistic, `tests/training/half_beat_fit.py`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from analyzers.rhythm.folding import MOST_BEATS
from analyzers.rhythm.in_beats import SLOTS
from analyzers.rhythm.meter_evidence import CHROMA, TURNS, Hypotheses
from analyzers.signal.onsets import BAND_EDGES_HZ

FloatArray = npt.NDArray[np.floating]
Evidence = npt.NDArray[np.float32]

LOW = slice(0, BAND_EDGES_HZ.index(1000.0) * MOST_BEATS * SLOTS)  # attacks of bass and the body of chords
NEAR = 0.1  # of a beat: phases this near are the same
MOST = 9.0  # log odds beyond which an opinion counts no more; bar lines that unlikely are not asked about
# So far drums count where they speak for the other bar lines: against harmony no bar line is sure. (Some
# dances have snare and hats on every "and": what drums alone tell is then sure, and wrong.)
AGAINST = 2.5
# Log odds of the bar lines half a beat off, from those of all evidence and of that without harmony
ALL_TOLD, BY_DRUMS, BIAS = 0.27, 0.57, -0.53


def by_drums(
    h: Hypotheses, p: FloatArray, best: int, ask: Callable[[Evidence], FloatArray]
) -> tuple[FloatArray, float]:
    """The probabilities [shape=(n,)] with those half a beat off the best reading weighed by what drums tell,
    and how likely the likelier of the two phases is (1 where there is no question).

    p : of each hypothesis; the sum of both phases stays
    best : the reading that they speak for
    ask : gives the probability of each hypothesis from its evidence
    """
    both = opinions(h, p, best, ask)
    if both is None:
        return p, 1.0
    share = float(expit(ALL_TOLD * both[0] + BY_DRUMS * both[1] + BIAS))
    on, off = phases(h, best)
    out, total = p.copy(), float(p[on | off].sum())
    out[on] *= (1.0 - share) * total / p[on].sum()
    out[off] *= share * total / p[off].sum()
    return out, max(share, 1.0 - share)


def opinions(
    h: Hypotheses, p: FloatArray, best: int, ask: Callable[[Evidence], FloatArray]
) -> tuple[float, float] | None:
    """Log odds of bar lines half a beat off the best reading, by all evidence and by that without harmony;
    None where they are out of the question."""
    on, off = phases(h, best)
    if p[off].sum() <= np.exp(-MOST) * p[on].sum():
        return None
    same = h.tempo == h.tempo[best]
    drums = log_odds(ask(without_harmony(h.evidence[same])), on[same], off[same])
    return log_odds(p, on, off), min(drums, AGAINST)


def phases(h: Hypotheses, best: int) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Hypotheses of the best one's beat rate whose beats are the same, and half a beat off [shape=(n,)]."""
    late = (h.offset - h.offset[best]) / h.ratio[best] % 1.0
    same = h.tempo == h.tempo[best]
    return same & (np.minimum(late, 1.0 - late) < NEAR), same & (np.abs(late - 0.5) < NEAR)


def without_harmony(evidence: Evidence) -> Evidence:
    """The evidence with zeros for what chords and bass tell, as in training for what is missing."""
    out = evidence.copy()
    for part in (LOW, CHROMA, TURNS):
        out[:, part] = 0.0
    return out


def log_odds(p: FloatArray, on: npt.NDArray[np.bool_], off: npt.NDArray[np.bool_]) -> float:
    """Of the hypotheses `off` the beat against those `on` it, within `MOST`."""
    least = np.exp(-MOST)
    odds = max(float(p[off].sum()), least) / max(float(p[on].sum()), least)
    return float(np.clip(np.log(odds), -MOST, MOST))
