"""So little of a bed at a file's start that nothing can be learnt from it: the hit stands out of it at once.

A producer's bounce often begins a few hundredths of a second before the beat, with whatever noise its tracks
have. Nothing in that is music: it neither grows nor is made of notes, and the hit is there from one moment
to the next. Or the noise stops, and what begins after it is something else.
"""

from __future__ import annotations

import numpy as np

from analyzers.level.magnitudes import FRAME_S, Magnitudes, first_over
from analyzers.level.noisebed import tonal_share
from analyzers.signal.mono import Samples
from analyzers.signal.samples import Floats

BED_BELOW = 0.02  # a bed's typical magnitude is under this share of the peak (-34 dB)
LASTING_BELOW = 0.035  # or, where it lasts, under this one (-29 dB)
STEADY = 1.5  # a bed grows by no more than this (3.5 dB) from its first half to its second
TONAL = 0.3  # share of power in lines that no mains hum explains: notes
NOISE_PEAK = 6.5  # peaks of Gaussian noise over its median magnitude at most ...
PEAKY = 2.7  # ... and at least, the louder of two channels in a hundredth of a second; of a note: less
FAR = 15.0  # the hit reaches so far (24 dB) over the bed at once
LEAST_S, LASTS_S, SHORT_S = 0.005, 0.15, 0.25  # a scrap is no shorter, it lasts, it is no longer
AT_ONCE_S = 0.004  # the hit is there within so much
HIT_OVER = 0.05  # of the peak: the hit
LOW_S, LOW = 0.002, 0.2  # more of the power in its means over so much: a drum or a low note, no hiss
STOPPED, STOP_S = 0.1, 0.002  # a bed that stays so far (20 dB) below its usual magnitude so long has stopped
AFTER_S = 0.1  # so much of what follows tells that it is something else
# So short and so far below the peak (-40 dB) a scrap need not be told from notes
SHORTEST_S, FAINT_BELOW = 0.03, 0.01


def hit_after_scrap(
    quiet: Magnitudes, mono: Samples, over: int, rate: int, threshold: float, peak: float
) -> int | None:
    """The sample with which the hit begins that follows a scrap of a bed; None where no scrap is there.

    Parameters
    ----------
    quiet, mono : the beginning of the signal, magnitudes and mix
    over : the first sample over the threshold
    rate : Hz; threshold, peak : of silence, of the programme
    """
    return _hit_at_once(quiet, mono, over, rate, threshold, peak) or _hit_after_stop(
        quiet, mono, over, rate, threshold, peak
    )


def _hit_at_once(
    quiet: Magnitudes, mono: Samples, over: int, rate: int, threshold: float, peak: float
) -> int | None:
    at_once = round(AT_ONCE_S * rate)
    begins = float(np.median(quiet[over : over + at_once])) if over < len(quiet) else 0.0
    hit = max(HIT_OVER * peak, NOISE_PEAK * begins)
    loud = first_over(quiet, over, hit)
    if loud is None or loud > SHORT_S * rate or over > loud - at_once - 2:
        return None
    scrap = quiet[over : loud - at_once]
    level, (early, late) = float(scrap.max()), _halves(scrap)
    faint = hit == HIT_OVER * peak and level <= FAINT_BELOW * peak and loud <= SHORTEST_S * rate
    faint = faint and late <= STEADY * early
    if not faint and not _is_noise(scrap, mono[over : loud - at_once], over, rate, peak):
        return None
    if quiet[loud : loud + at_once].max() < FAR * (level if faint else float(np.median(scrap))):
        return None
    return first_over(quiet, loud - at_once, max(threshold, STEADY * level))


def _hit_after_stop(
    quiet: Magnitudes, mono: Samples, over: int, rate: int, threshold: float, peak: float
) -> int | None:
    """What begins after noise that stops, if it is not the same noise struck again."""
    heard, still = quiet[over : over + round(SHORT_S * rate)], round(STOP_S * rate)
    if len(heard) == 0:
        return None
    edges = np.flatnonzero(heard > max(threshold, STOPPED * float(np.median(heard[: round(LEAST_S * rate)]))))
    gaps = np.flatnonzero(np.diff(np.append(edges, len(heard))) > still)
    stop = over + int(edges[gaps[0]]) + 1 if len(gaps) else len(quiet)
    start = first_over(quiet, stop, threshold)
    if start is None or not _is_noise(quiet[over:stop], mono[over:stop], over, rate, peak):
        return None
    return None if _is_hiss(mono[start : start + round(AFTER_S * rate)], rate) else start


def _is_noise(scrap: Floats, mono: Floats, over: int, rate: int, peak: float) -> bool:
    """As even and as peaky as noise, from the file's start on, far below the peak."""
    if over >= FRAME_S * rate or len(scrap) <= LEAST_S * rate:
        return False
    typical, level, halves = float(np.median(scrap)), float(scrap.max()), _halves(scrap)
    below = LASTING_BELOW if len(scrap) > LASTS_S * rate else BED_BELOW
    peaky = PEAKY * typical < level < NOISE_PEAK * typical
    even = max(halves) <= STEADY * min(halves)
    return peaky and even and typical < below * peak and _is_hiss(mono, rate)


def _halves(scrap: Floats) -> tuple[float, float]:
    """Mean magnitude of its first half and of its second."""
    early, late = np.array_split(scrap, 2)
    return float(early.mean()), float(late.mean())


def _is_hiss(x: Floats, rate: int) -> bool:
    """Neither a low tone nor, where there is enough of it to tell, notes."""
    size = max(round(LOW_S * rate), 1)
    means = x[: len(x) // size * size].reshape(-1, size).mean(axis=1, dtype=np.float64)
    low = float((means**2).mean()) if len(means) else 0.0
    return low < LOW * float((x.astype(np.float64) ** 2).mean()) and tonal_share(x, rate) < TONAL
