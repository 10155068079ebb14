"""Lead-in: where the music starts and what lies before it.

Question: which is the first musical sample? Digital silence, an offset, dither, hiss, hum and the
crackle of a record are no music.
Convention: the threshold is relative to the programme (Options.silence_below_peak_db under its
sample peak, 60 dB by default, common practice); the answer is a sample index at the source's rate.

1. `open`: the first moment that is loud beyond doubt. What comes before is either quiet or a bed.
2. Without a bed above the threshold the first sample over it is the answer, unless it is a click
   or a few of them (over within 10 ms).
3. A bed is there from the first sample, steady, far below the music, and noise or mains hum
   rather than notes. Music then starts where a band stays well above the bed's own level, or, where
   the bed stops before it, with the first sample over the threshold. Soft music may begin before the
   first loud moment; a bed that runs on from the file's start is therefore looked for in less, too.
4. So little of a bed that nothing can be learnt from it is told by the hit that stands out of it at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analyzers.level.magnitudes import (
    DENSE,
    FRAME_S,
    Magnitudes,
    after_pop,
    first_loud,
    first_over,
    skip_clicks,
)
from analyzers.level.noisebed import FEWEST, rise_frames, tonal_share
from analyzers.level.scraps import (
    BED_BELOW,
    FAINT_BELOW,
    FAR,
    LASTING_BELOW,
    NOISE_PEAK,
    PEAKY,
    STEADY,
    STOP_S,
    STOPPED,
    TONAL,
    hit_after_scrap,
)
from analyzers.model import LeadIn
from analyzers.signal.features import Features
from analyzers.signal.mono import Samples
from analyzers.signal.samples import Floats, Signal, blocks_of

LOUD = 0.04  # mean magnitude of a loud frame, of the programme's peak (-28 dB)
BED_LOOK_S = 0.25  # the bed's level is learnt from this much
BED_LEAST_S = 0.02
MOMENT_S, MOST_MOMENTS = 0.05, 200  # mains hum swings to either side a whole number of times in it
AS_NOISE = 1.2  # the moments of noise or hum, however peaky, differ by less (1.6 dB)
EVEN = 1.5  # of its moments, the loud ones over the soft ones (3.5 dB): a note dies away
DYING = 1.25  # a stroke of noise falls by more (2 dB) from each third of it to the next
ROUGH = 3.0  # 90th percentile of a bed over its median (Gaussian noise: 2.4; speech: from 3.7)
BED_SAMPLES = 1 << 22  # a bed longer than this (95 s at 44.1 kHz) is judged by evenly spaced samples
FLOOR_S = 60.0  # the floor is measured over no more than this before the music
OFFSET_CLEAR = 3.0  # an offset is this often the spread of what lies on it
POP_S, APART_S = 0.002, 0.002  # a pop of the crackle of a record is as short, and so far from what follows
CALM = 2.0  # of a bed's typical magnitude: less is the bed itself
# A bed is looked for in so much; in less, too, where it runs on from the file's start
LOOKS_S = (1.0, 0.1, 0.05, 0.025)
FOUND = 0.97  # how sure it is that the first sound is music, where no bed is
ABRUPT, SWELLING = 0.9, 0.5  # how sure it is where music rises out of a bed
HIT_S = 0.03  # music too short to be seen to rise out of a bed reaches `FAR` over it at once
SMEARED_BELOW = 0.05  # of the peak (-26 dB): in a coded file a sound as soft and short is a click of a record
GUARD_S = 0.015  # lossy codecs smear the first attack this far into the lead-in
INAUDIBLE_DBFS = -115.0  # decoders leave rounding noise below this in silence


@dataclass(frozen=True, slots=True)
class _Start:
    sample: int
    confidence: float


def find_lead_in(features: Features) -> LeadIn:
    """The first musical sample and the kind of what comes before.

    Returns
    -------
    LeadIn : first_sound_s is None, kind "no sound at all", when nothing but an offset is there
    """
    signal = features.signal
    peak = features.peaks.sample_peak
    threshold = peak * 10 ** (-features.options.silence_below_peak_db / 20)
    if peak == 0.0:
        return _no_sound()
    offset = _offset(signal, threshold)
    whole = Magnitudes(signal, offset, signal.frames)
    begin = after_pop(whole, signal.rate, threshold)
    loud = first_loud(whole, signal.rate, LOUD * peak, begin)
    if loud is None:
        return _no_sound()
    quiet = Magnitudes(signal, offset, min(loud + round(0.1 * signal.rate), signal.frames))
    first = first_over(quiet, begin, threshold) or 0
    over = _without_hair(quiet, first, threshold)
    for look, brief in _looks(over, loud, signal.rate):
        abrupt = over >= FRAME_S * signal.rate
        if _is_bed(quiet[over:look], features.mono[over:look], signal.rate, threshold, peak, abrupt=abrupt):
            span = over, look, loud
            start = _start_over_bed(quiet, features.mono, span, signal.rate, threshold, brief=brief)
            if start is not None:
                return _describe(signal, start, threshold)
    hit = hit_after_scrap(quiet, features.mono, over, signal.rate, threshold, peak)
    if hit is not None:
        return _describe(signal, _Start(hit, ABRUPT), threshold)
    smeared = SMEARED_BELOW * peak if features.options.lossy else 0.0
    start = _Start(skip_clicks(quiet, first, signal.rate, threshold, smeared), FOUND)
    return _describe(signal, start, threshold)


def _looks(over: int, loud: int, rate: int) -> Iterator[tuple[int, bool]]:
    """Where what may tell of a bed ends, and whether that is little.

    After silence, a sound too short to tell whether it is made of notes is the music's own beginning.
    """
    runs_on = over < FRAME_S * rate
    for look_s in LOOKS_S if runs_on else LOOKS_S[:1]:
        look = min(loud, over + round(look_s * rate))
        if runs_on or look - over >= FEWEST:
            yield look, look - over < BED_LOOK_S * rate


def _without_hair(quiet: Magnitudes, over: int, threshold: float) -> int:
    """0 where noise that is there from the file's start reaches the threshold with its highest peaks only."""
    before = _thinned(quiet, 0, over)
    return 0 if len(before) and NOISE_PEAK * float(np.median(before)) > threshold else over


def _no_sound() -> LeadIn:
    return LeadIn(None, None, "no sound at all", None, None, 0.99, "nothing in the file rises above silence")


def _offset(signal: Signal, threshold: float) -> Floats:
    """Constant offset of each channel before the music [shape=(channels,)]; zeros where it starts at once.

    A bed may lie on it. Music that begins so far from zero is found at its first sample all the same.
    """
    head = signal.samples[: max(1, round(0.01 * signal.rate))]
    offset = head.mean(axis=0)
    flat = (np.ptp(head, axis=0) < 2 * threshold) | (np.abs(offset) > OFFSET_CLEAR * head.std(axis=0))
    out: Floats = np.where(flat, offset, 0).astype(np.float32)
    return out


def _is_bed(quiet: Floats, mono: Floats, rate: int, threshold: float, peak: float, *, abrupt: bool) -> bool:
    """Is what lies between the first sample over the threshold and the loud music a bed? A second tells.

    abrupt : it begins after silence, as the consonant of a spoken tag does: a brief one has to be faint
    """
    look = quiet[: round(BED_LOOK_S * rate)]
    if len(look) < BED_LEAST_S * rate:
        return False
    typical = float(np.median(look))
    below = LASTING_BELOW if len(look) == round(BED_LOOK_S * rate) else BED_BELOW
    below = FAINT_BELOW if abrupt and len(look) < round(BED_LOOK_S * rate) else below
    if not threshold / NOISE_PEAK < typical < below * peak:
        return False
    if len(look) < FEWEST and look.max() < PEAKY * typical:
        return False  # a note
    return tonal_share(mono, rate) < TONAL


def _start_over_bed(
    quiet: Magnitudes, mono: Samples, span: tuple[int, int, int], rate: int, threshold: float, *, brief: bool
) -> _Start | None:
    """Where music rises out of a bed; None when the bed itself grows (a riser).

    span : where the bed begins, to where it tells its level, and the first loud frame
    brief : so little of it tells that it could be music: it has to be as even as noise, and without notes
    """
    size, (over, look, loud) = max(1, round(FRAME_S * rate)), span
    learn = max(1, min(round(BED_LOOK_S / FRAME_S), (look - over) // size))
    offset = np.mean(mono[over : over + learn * size])
    pieces = (piece - offset for piece in blocks_of(mono, 4096 * size, over, len(quiet)))
    frames = rise_frames(pieces, rate, size, learn)
    rise, sure = (loud, loud) if frames is None else (over + frame * size for frame in frames)
    typical = float(np.median(quiet[over : over + learn * size]))
    moments, surely = round((sure - over) / (MOMENT_S * rate)), brief or over >= FRAME_S * rate
    if not _is_steady(_thinned(quiet, over, sure), moments, typical, surely=surely):
        return None
    if brief and tonal_share(mono[over : min(rise, over + rate)], rate) >= TONAL:
        return None
    first = max(over, rise - size)
    level, end = max(threshold, NOISE_PEAK * typical), rise + 8 * size
    lasting = _without_crackle(quiet[first:end], level, CALM * typical, rate)
    sample = rise if lasting is None else first + lasting
    sample = _after_stop(quiet, max(over, sample - rate), sample, rate, (STOPPED * typical, threshold))
    far = float(quiet[sample : sample + round(HIT_S * rate)].max(initial=0.0)) > FAR * typical
    if frames is None and not far:
        return None
    return _Start(sample, ABRUPT if sure - rise <= 2 * size else SWELLING)


def _without_crackle(heard: Floats, level: float, calm: float, rate: int) -> int | None:
    """The first sample over `level` that is no pop of a bed; None where there is none.

    A pop is over within `POP_S`, and the bed itself, whose magnitude is under `calm`, comes after it.
    """
    at = np.flatnonzero(heard > level)
    if len(at) == 0:
        return None
    apart = np.flatnonzero(np.diff(at) > APART_S * rate)
    breaks = [int(k) for k in apart if np.median(heard[at[k] + 1 : at[k + 1]]) < calm]
    for start, end in pairwise([-1, *breaks, len(at) - 1]):
        length = at[end] - at[start + 1]
        lasts = length > POP_S * rate and end - start > DENSE * length
        if lasts or len(heard) - at[end] <= APART_S * rate:  # goes on
            return int(at[start + 1])
    return int(at[0])


def _after_stop(quiet: Magnitudes, first: int, sample: int, rate: int, levels: tuple[float, float]) -> int:
    """Where music starts after a bed that stops before it: no bed hides its soft beginning.

    `levels`: what a bed that goes on never stays below for `STOP_S`, and the threshold of silence.
    """
    stopped, threshold = levels
    loud = np.flatnonzero(quiet[first:sample] > stopped)
    edges = np.concatenate([loud, [sample - first]])
    gaps = np.flatnonzero(np.diff(edges) > STOP_S * rate)
    if len(gaps) == 0:
        return sample
    over = first_over(quiet, first + int(edges[gaps[-1] + 1]), threshold)
    return sample if over is None else min(sample, skip_clicks(quiet, over, rate, threshold))


def _thinned(values: Magnitudes, first: int, last: int) -> Floats:
    """All of them; of more than `BED_SAMPLES` each second, third, ..."""
    step = max(1, -(-(last - first) // BED_SAMPLES))
    pieces = blocks_of(values, step * (BED_SAMPLES // 64), first, last)
    parts = [piece[::step].copy() for piece in pieces]  # lets the rest go
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)


def _is_steady(bed: Floats, moments: int, typical: float, *, surely: bool) -> bool:
    """True where a bed, so many moments long, neither grows nor comes in syllables or strokes.

    typical : its magnitude; it has stopped where a moment is far below, and tells no more from the one before
    surely : it has to be as even as noise is: what follows silence, or is brief, may be notes that die away
    """
    if len(bed) < 2:
        return False
    parts = np.array_split(bed, min(max(moments, 2), MOST_MOMENTS))
    stopped = [k for k, part in enumerate(parts) if len(part) and np.median(part) < STOPPED * typical]
    if stopped and any(part.max() > typical for part in parts[stopped[0] + 1 : -1]):
        return False  # strokes
    parts = [part for part in parts[: max(stopped[0] - 1, 1) if stopped else None] if len(part)]
    heard = np.concatenate(parts)
    early, late = (float(np.median(half)) for half in np.array_split(heard, 2))
    soft, loud = np.quantile([np.median(part) for part in parts], (0.1, 0.9))
    rough = float(np.quantile(heard, 0.9)) > ROUGH * float(np.median(heard))
    if surely and (loud > EVEN * soft or _dies_away(heard)):
        return False
    return late <= STEADY * early and (not rough or bool(loud <= AS_NOISE * soft))


def _dies_away(heard: Floats) -> bool:
    """Whether it gets softer from each third of it to the next."""
    thirds = [float(np.median(part)) for part in np.array_split(heard, 3) if len(part)]
    return all(before > DYING * after for before, after in pairwise(thirds))


def _describe(signal: Signal, start: _Start, threshold: float) -> LeadIn:
    end = max(start.sample - round(GUARD_S * signal.rate), start.sample // 2)
    floor = _level_dbfs(signal.samples[max(0, end - round(FLOOR_S * signal.rate)) : end])
    if start.sample == 0:
        kind = "none"
    elif floor is None or floor < INAUDIBLE_DBFS:
        kind, floor = "digital silence", None
    else:
        kind = "hiss or hum" if floor > _decibels(threshold) - 10 else "dither or noise"
    return LeadIn(
        first_sound_s=start.sample / signal.rate,
        first_sound_sample=start.sample,
        kind=kind,
        noise_floor_dbfs=floor,
        threshold_dbfs=_decibels(threshold),
        confidence=start.confidence,
    )


def _level_dbfs(x: Floats) -> float | None:
    """RMS of the louder channel, offset removed; None for nothing or digital silence."""
    if len(x) == 0:
        return None
    variance = max(float(channel.var(dtype=np.float64)) for channel in x.T)
    return 10 * float(np.log10(variance)) if variance > 0 else None


def _decibels(magnitude: float) -> float:
    return 20 * float(np.log10(magnitude))
