"""Which multiple of the pulse is the beat, how many beats make a bar, and which one is its first.

Small networks (weights in `weights/grid.npz`, trained by `tests/training/learn.py` on rendered beats,
sequences and performances) give every hypothesis of `meter_evidence` a probability, so tempo, meter and bar
line are decided together: a backbeat speaks for all three at once. The tempo is the one with the largest
sum, the bar line the best within that tempo. Raw probabilities are then calibrated (logistic, by
`tests/training/confidence_fit.py`, on what networks think of origins that they have not seen).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, softmax

from analyzers.rhythm import beat_by_beat
from analyzers.rhythm.half_beat import by_drums
from analyzers.rhythm.meter_evidence import RATIOS, Hypotheses
from analyzers.rhythm.other_counts import (
    SAME_BARS,
    SteadyRate,
    counted_in_two,
    doubted,
    doubts,
    favoured,
    halved,
    whole_rivals,
)
from analyzers.rhythm.played import Played
from analyzers.rhythm.reading import Reading
from analyzers.signal.perceptron import hidden
from analyzers.signal.weights_file import stored_weights

FloatArray = npt.NDArray[np.floating]
PLACES = np.array([0, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 1])  # in a beat, at which bar lines are told apart
LEAST_SHARE = 0.005  # a reading less probable than this is none
CLEAR = 0.85  # share of the bar lines above which no other opinion is asked for
# So sure of a bar line is one at most where another opinion was asked for, and where drums or a later part
# leave another half beat open as well (39 of 52 such bar lines were right, of generated beats 3 of 7)
TWO_OPINIONS, TWO_DOUBTS = 0.9, 0.7
# Slope and offset of the log odds of such a bar line: least cross-entropy of 66 of generated beats. They hold
# for what they were not fitted on: said on the mean, and right, bands .74, .73; songs off the beat, the
# like of which no network has seen, .84, .83; art .58, .57
OF_TWO = 0.73, 0.87
RULED_OUT = 1e-6  # what an opinion leaves to a hypothesis at least


def probabilities(evidence: npt.NDArray[np.float32]) -> FloatArray:
    """Probability of each hypothesis [shape=(n,)]: the mean of what the networks say, so that they are only
    sure together. A network hears each beside the mean and the most of what it found in all of the song's, so
    that one way of counting is weighed against the others (pooling over a set: Zaheer et al., "Deep Sets",
    NeurIPS 2017)."""
    w = stored_weights("grid")
    nets = sum(1 for k in w if k.endswith("_mean"))
    total = np.zeros(len(evidence))
    for n in range(nets):
        x = (evidence - w[f"net{n}_mean"]) / w[f"net{n}_scale"]
        first = w[f"net{n}_0"] * w[f"net{n}_step"]  # whole numbers of steps, one step a column
        h = hidden(x, (first, w[f"net{n}_1"]))
        own, mean, most = np.split(w[f"net{n}_2"], 3)
        beside = h.mean(axis=0) @ mean + h.max(axis=0) @ most + w[f"net{n}_3"]
        h = hidden(h, (own, beside))
        total += softmax((h @ w[f"net{n}_4"] + w[f"net{n}_5"])[:, 0].astype(np.float64))
    return total / max(nets, 1)


def heard_again(h: Hypotheses, p: FloatArray) -> tuple[FloatArray, bool]:
    """The probabilities, and whether bar lines were in doubt: then pooled with what networks say that hear
    the beats in their order. (To let them hear only likely beat rates takes a fifth of the time, but leaves
    them vaguer: 4 of 162 bands were refused a tempo.)"""
    if not h.heard or p[agrees(h, best_of(h, p))].sum() >= CLEAR:
        return p, False
    return pooled(p, beat_by_beat.probabilities(h)), True


def pooled(one: FloatArray, other: FloatArray) -> FloatArray:
    """Two opinions as one, a logarithmic pool (Genest and Zidek, "Combining probability distributions: a
    critique and an annotated bibliography", Statistical Science 1986): what either rules out is out, which
    their mean would leave half of [shape=(n,)]."""
    both = np.sqrt((one + RULED_OUT) * (other + RULED_OUT))
    out: FloatArray = both / both.sum()
    return out


def best_of(h: Hypotheses, p: FloatArray) -> int:
    """The hypothesis that is chosen: beat rate, then beats in a bar, then bar line.

    Readings at half and double the rate speak for the bar lines that they share.
    """
    tempo = int(np.argmax(np.bincount(h.tempo, p)))
    likeliest = int(np.argmax(np.where(h.tempo == tempo, p, -1.0)))
    alike = (h.tempo == tempo) & (h.beats == h.beats[likeliest])
    line = max(np.flatnonzero(alike).tolist(), key=lambda k: float(p[agrees(h, k)].sum()))
    return int(np.argmax(np.where(alike & agrees(h, line), p, -1.0)))  # phases that nearly agree share a sum


def choose_reading(
    h: Hypotheses,
    beat_probability: float,
    played: bool = False,
    rate: SteadyRate | None = None,
    beside: FloatArray | None = None,
) -> Reading | None:
    """The likeliest reading; None when there is no hypothesis (a file of under eight beats).

    beat_probability : that there is a beat at all, as far as the pulse alone tells (`pulse_verdict`,
        `played_verdict`)
    played : the pulse was followed from attack to attack (`played.track`); the confidences are those of such
        music
    rate : of a steady pulse
    beside : how likely each hypothesis is for another reason [shape=(n,)]
    """
    if len(h.ratio) == 0:
        return None
    p, doubtful = heard_again(h, probabilities(h.evidence))
    if beside is not None:
        p = p * beside
        if not p.any():
            return None
        p /= p.sum()
    p, in_phase = (p, 1.0) if played else by_drums(h, p, best_of(h, p), probabilities)
    best = best_of(h, p)
    rivals, likelier = whole_rivals(rate, float(h.ratio[best]))
    p = halved(h, favoured(h, p, best, likelier), best)
    best, first = best_of(h, p), best
    rivals = rivals if h.tempo[best] == h.tempo[first] else ()
    kind = "played_" if played else ""
    evidence = tempo_evidence(h, p, best, beat_probability)
    tempo = np.bincount(h.tempo, p, len(RATIOS))
    mine = h.tempo == h.tempo[best]
    octave = set(_octave(h, best))
    shown = [k for k in np.argsort(tempo)[::-1].tolist() if tempo[k] > LEAST_SHARE or k in octave]
    tempi = tuple((RATIOS[k], float(tempo[k])) for k in shown)
    shares = {} if played else doubts(h.evidence[best], rivals, likelier)
    doubt = sum(shares.values())
    bar = calibrated(f"{kind}bar", bar_evidence(h, p, best, evidence))
    if doubtful:
        bar = sure_of_two(bar, in_phase, played)
    bar = min(bar, in_phase) * (1 - (1 - SAME_BARS) * doubt)
    meters = np.bincount(h.beats[mine], p[mine]) / p[mine].sum()
    others = [n for n in np.argsort(meters)[::-1].tolist() if meters[n] > LEAST_SHARE and n != h.beats[best]]
    reading = Reading(
        ratio=float(h.ratio[best]),
        offset=float(h.offset[best]),
        beats=int(h.beats[best]),
        beat_probability=calibrated(f"{kind}pulse", evidence),
        tempo_probability=calibrated(f"{kind}tempo", evidence) * (1 - doubt),
        meter_probability=float(meters[h.beats[best]]),
        bar_probability=bar,
        tempi=doubted(tempi, shares),
        other_lines=other_lines(h, p, best, bar),
        other_meters=tuple((n, float(meters[n])) for n in others),
        surest=TWO_DOUBTS if doubtful else 1.0,
    )
    return reading if rate is None else reading.in_two(counted_in_two(h.evidence[best]))


def sure_of_two(bar: float, in_phase: float, played: bool) -> float:
    """How sure of a bar line two opinions are.

    bar : how sure the first alone would be; in_phase : by drums, that it is not half a beat off
    played : see `choose_reading`; for such music nothing was fitted
    """
    sure = bar if played else refitted(bar, *OF_TWO)
    return min(sure, TWO_OPINIONS if in_phase >= TWO_OPINIONS else TWO_DOUBTS)


def refitted(p: float, slope: float, offset: float) -> float:
    """A probability with the log odds of another, times a slope, plus an offset."""
    return float(expit(slope * logit(p) + offset))


def beside_fewer(reading: Reading, h: Hypotheses, more: Hypotheses) -> Reading:
    """The reading, less sure by what beat rates too slow to be chosen in a short file would take.

    h : among which it was chosen; more : the same and those of fewer beats
    """
    p, few = probabilities(more.evidence), ~np.isin(more.tempo, h.tempo)
    taken = np.bincount(more.tempo[few], p[few], len(RATIOS))
    left = 1.0 - float(taken.sum())
    tempi = {ratio: share * left for ratio, share in reading.tempi}
    for k in np.flatnonzero(taken > LEAST_SHARE).tolist():
        tempi[RATIOS[k]] = tempi.get(RATIOS[k], 0.0) + float(taken[k])
    return replace(
        reading,
        tempo_probability=reading.tempo_probability * left,
        bar_probability=reading.bar_probability * left,
        tempi=tuple(sorted(tempi.items(), key=lambda item: -item[1])),
        other_lines=tuple((late, share * left) for late, share in reading.other_lines),
    )


def agrees(h: Hypotheses, best: int) -> npt.NDArray[np.bool_]:
    """Hypotheses whose bar lines are also bar lines of the best one, or the reverse [shape=(n,)]."""
    bar, own = h.ratio * h.beats, h.ratio[best] * h.beats[best]
    short = np.minimum(bar, own)
    gap = (h.offset - h.offset[best]) / short
    together = np.abs(gap - np.round(gap)) * short < 0.06 * h.ratio[best]
    multiple = np.maximum(bar, own) / short
    out: npt.NDArray[np.bool_] = together & (np.abs(multiple - np.round(multiple)) < 1e-6)
    return out


def other_lines(h: Hypotheses, p: FloatArray, best: int, sure: float) -> tuple[tuple[float, float], ...]:
    """Bar lines that readings with bars as long, or whole times as long or short, have instead.

    sure : probability of the best reading's bar lines; other lines are less probable by as much as the
        networks say, and all that is not the best reading shares in what is left

    Returns (beats after its bar line, to half a bar before or after; probability), likeliest first
    """
    beats, agreed = int(h.beats[best]), agrees(h, best)
    bar, own = h.ratio * h.beats, h.ratio[best] * beats
    multiple = np.maximum(bar, own) / np.minimum(bar, own)
    rivals = (np.abs(multiple - np.round(multiple)) < 1e-6) & ~agreed
    late = (h.offset[rivals] - h.offset[best]) / h.ratio[best] % beats
    whole, part = np.divmod(late, 1.0)
    late = (whole + PLACES[np.abs(PLACES - part[:, None]).argmin(axis=1)]) % beats
    late[late > beats / 2] -= beats
    places, at = np.unique(late, return_inverse=True)
    of_rest = (1.0 - sure) / max(float(p[~agreed].sum()), 1e-9)
    shares = np.bincount(at, p[rivals], len(places)) * min(of_rest, sure / float(p[agreed].sum()))
    found = [k for k in np.argsort(shares)[::-1].tolist() if shares[k] > LEAST_SHARE and places[k] != 0.0]
    return tuple((float(places[k]), float(shares[k])) for k in found)


def _octave(h: Hypotheses, best: int) -> list[int]:
    """The best beat rate with its half and double, as far as they are hypotheses."""
    return [k for k in np.unique(h.tempo).tolist() if RATIOS[k] / h.ratio[best] in (0.5, 1.0, 2.0)]


def tempo_evidence(h: Hypotheses, p: FloatArray, best: int, beat_probability: float) -> FloatArray:
    """What the confidence in the beat rate rests on: log-odds of it, with half and double, of any beat."""
    tempo = np.bincount(h.tempo, p, len(RATIOS))
    octave = float(tempo[_octave(h, best)].sum())
    return np.array([_logit(float(tempo[h.tempo[best]])), _logit(octave), _logit(beat_probability)])


def bar_evidence(h: Hypotheses, p: FloatArray, best: int, tempo: FloatArray) -> FloatArray:
    """What the confidence in the bar line rests on: log-odds of all readings that share it, and `tempo`."""
    return np.array([_logit(float(p[agrees(h, best)].sum())), *tempo])


def calibrated(name: str, evidence: FloatArray) -> float:
    """Logistic of the evidence with the shipped coefficients (the last is the constant)."""
    c = stored_weights("grid").get(f"calibrate_{name}")
    if c is None:
        c = np.concatenate([[1.0], np.zeros(len(evidence))])
    return float(expit(evidence @ c[:-1] + c[-1]))


def _logit(p: float) -> float:
    return float(logit(min(max(p, 1e-4), 1 - 1e-4)))


def pulse_verdict(evidence: tuple[float, ...]) -> tuple[float, float]:
    """Probability that the music has a beat, and that its tempo is constant (`pulse.Pulse.evidence`)."""
    x = pulse_evidence(evidence)
    return calibrated("beat", x), calibrated("steady", x)


def played_verdict(played: Played, evidence: tuple[float, ...]) -> float:
    """Probability that pulses followed from attack to attack are a beat; `evidence`: `Pulse.evidence`."""
    return calibrated(
        "played_beat", played_evidence(played.support, played.contrast, played.turning, evidence)
    )


def played_evidence(
    support: float, contrast: float, turning: float, evidence: tuple[float, ...]
) -> FloatArray:
    """What `played_verdict` rests on."""
    repetition, coherence, gain, _, _ = evidence
    best = coherence + max(gain, 0.0)
    return np.array([support, contrast, np.log(turning + 0.005), np.log(max(repetition, 1e-3)), best])


def pulse_evidence(evidence: tuple[float, ...]) -> FloatArray:
    """What the verdict on a pulse rests on, from `pulse.Pulse.evidence`."""
    repetition, coherence, gain, spread_ms, length = evidence
    best = coherence + max(gain, 0.0)
    relative = gain / max(coherence, 0.05)
    return np.array([np.log(max(repetition, 1e-3)), best, gain, relative, np.log(spread_ms + 0.1), length])
