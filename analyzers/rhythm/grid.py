"""The session grid of a track: tempo, beats, bar one, meter, drift, each with its proof.

Convention: seconds from the signal's first sample; beat k of a constant grid is ``bar_one + k * period``,
never accumulated. The steps: `pulse` finds the pulse (steady, moving or none), `played` follows one
whose attacks are loose, `meter` reads it as beats and bars, `two_counts` where it starts anew,
`beat_times` puts the beats on the attacks, `barline` picks bar one, `grid_proof` says how well the music
agrees.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analyzers.model import BarOneCandidate, Grid, LeadIn, MeterCandidate, TempoCandidate
from analyzers.rhythm.barline import FirstBar, first_bar
from analyzers.rhythm.beat_times import Beats, moving_beats, steady_beats
from analyzers.rhythm.borne_out import borne_out
from analyzers.rhythm.cut_bars import cut_anew
from analyzers.rhythm.grid_proof import prove
from analyzers.rhythm.later_part import heard_later
from analyzers.rhythm.lattice_fit import open_share
from analyzers.rhythm.meter import beside_fewer, choose_reading, played_verdict, pulse_verdict, refitted
from analyzers.rhythm.meter_evidence import LEAST_BEATS, weigh
from analyzers.rhythm.odd_bars import other_bars
from analyzers.rhythm.other_counts import SteadyRate
from analyzers.rhythm.other_level import other_level
from analyzers.rhythm.played import Played, even_support, track
from analyzers.rhythm.pulse import Pulse, find_pulse
from analyzers.rhythm.reading import Reading
from analyzers.rhythm.shares import beside, beside_tempo, counted_too
from analyzers.rhythm.swell import grows_into
from analyzers.rhythm.two_counts import bars_restarted, restarted, told_apart
from analyzers.signal.features import Features
from analyzers.signal.onsets import Onsets

FloatArray = npt.NDArray[np.floating]
METER_NAMES = {4: "4/4", 3: "3/4", 2: "6/8"}
# Coherence of the steady and the moving pulse below which pulses are followed from attack to attack. At 0.36
# soft produced beats were followed, too, and their grid was worse (tests/accuracy/gate.py).
LOOSE = 0.25
REPEATED = 0.08  # repetition over the whole song that speaks for a steady tempo all the same
# Probability of a steady tempo above which even pulses that the attacks bear out in every part of the song
# (by so many standard deviations) are not given up for ones that follow them, however loose they are
STEADY, BORNE_OUT = 0.8, 0.15
EVEN_SURE = 0.95  # probability of a beat, and of a steady one, where a loose map is even (`Pulse.even`)
STEP_SURE = 0.8  # probability of a moving tempo where one change of it explains the attacks (`Pulse.knee`)
STEP_POSSIBLE = 0.7  # of a steady one where one change of it is hinted (`Pulse.hinted`)
RESTART_SURE = 0.9  # probability of a restart that the attacks bear out (`Pulse.counts`)
EVEN_S = 0.012  # pulses followed from attack to attack that are this even are a steady tempo after all
PLAYED_CERTAIN = 0.9  # share of songs with such pulses whose tempo moves
# Where pulses are followed from attack to attack, a bar line on the right beat may still lie far beside it:
# log odds of a bar one within 70 ms, from those of the right beat (logistic fit on 111 excerpts of
# tests/training/played.py). Other moving pulses are as near as they are sure: 119 of 126 with .8 or more
PLAYED_BAR = (0.391, 0.181)
SUREST = 0.9999  # no estimate is certain
# No meter is more than so many times as sure as its bar lines: of 11 songs in five or seven three have ones
# below 0.4, of 300 generated beats in even meters two
METER_BORNE = 2.0
RATHER_OTHER = 0.3  # nor more sure than this where another one is heard (`odd_bars`)
# A beat less probable than this is none. Between it and a half 15 of 16 tempi of music with a beat are right
# (of some 1300 pieces); of 295 pieces without one 16 are in that range: all are said with less than a half
A_BEAT = 0.3
HELPFUL = 0.25  # a tempo that is wrong three times in four puts the copy on a wrong grid, and is none
UNTOLD = "no steady beat: the attacks can be counted in several ways, and none of them is likely"
# Probability that the bars count from a beginning that no bar line meets and no beat bears out
IN_TEMPO = 0.5
CONSTANT_IN_PART = 0.75  # probability that a tempo holds throughout that only a part of the song bears out
TOO_FEW = f"fewer than {LEAST_BEATS} beats: too few to be sure of a tempo"
ONE_BAR = 4  # beats with which a tempo is no answer, but a doubt; fewer attacks are no beat
ATTACK_DB = 6.0  # rise that is one at least: twice the level
HOPELESS = 0.05  # probability of a beat, from the pulse alone, below which no reading is tried


def find_grid(f: Features, lead_in: LeadIn) -> Grid:
    """Find the grid of a track.

    Returns a Grid; where the music has no steady beat `tempo_bpm` is None and `reason` says why.
    """
    if lead_in.first_sound_s is None:
        return no_grid("there is no sound in the file")
    pulse = find_pulse(f.onsets)
    if pulse is None:
        return no_grid("the file is too short to hold a beat")
    if _attacks(pulse) < ONE_BAR:
        return no_grid("too few attacks to count a beat by")
    pulse = told_apart(f, pulse, lead_in.first_sound_s)
    beat, steady = pulse_verdict(pulse.evidence)
    if pulse.even:
        beat, steady = max(beat, EVEN_SURE), max(steady, EVEN_SURE)
    elif pulse.knee is not None:
        steady = min(steady, 1.0 - STEP_SURE)
    played = followed(f.onsets, pulse, steady)
    if played is not None:
        pulse = replace(pulse, moving_s=played.times_s, knee=None)
        beat, steady = played_verdict(played, pulse.evidence), 1.0 - PLAYED_CERTAIN
    if beat < HOPELESS:
        return no_grid(_why_none(pulse), beat)
    anew = restarted(f, pulse, lead_in.first_sound_s, beat) if played is None else None
    if anew is not None:
        return _assemble(f, lead_in, pulse, *anew, 1.0 - RESTART_SURE)
    if pulse.hinted:
        steady = min(steady, STEP_POSSIBLE)
    moving = pulse.moving_s if steady < 0.5 else None
    pulses = pulse.steady_s if moving is None else moving
    h = weigh(f.onsets, pulses, lead_in.first_sound_s, f.options.tempo_range_bpm)
    rate = SteadyRate(60.0 / pulse.period_s, open_share(f.duration_s, pulse.lags.coherence))
    reading = choose_reading(h, beat, played is not None, rate if moving is None else None)
    if reading is None:
        return no_grid(TOO_FEW)
    if f.duration_s < LEAST_BEATS * 60.0 / f.options.tempo_range_bpm[0]:
        fewer = weigh(f.onsets, pulses, lead_in.first_sound_s, f.options.tempo_range_bpm, ONE_BAR)
        reading = beside_fewer(reading, h, fewer)
    if reading.beat_probability < A_BEAT:
        return no_grid(_why_none(pulse), reading.beat_probability, _if_any(reading, pulses))
    if reading.tempo_probability < HELPFUL:
        too_few = reading.tempi[0][0] not in h.ratio
        return no_grid(TOO_FEW if too_few else UNTOLD, reading.tempo_probability, _if_any(reading, pulses))
    if moving is None:
        reading = cut_anew(f.onsets, pulse.period_s, reading)
        reading, anew_beats = bars_restarted(f, pulse, lead_in.first_sound_s, reading)
        if anew_beats is not None:
            return _assemble(f, lead_in, pulse, reading, anew_beats, 1.0 - RESTART_SURE)
        reading = heard_later(f.onsets, pulse.steady_s, reading)
        beats = steady_beats(f, pulse, reading)
    else:
        beats = moving_beats(f, pulse, reading, lead_in.first_sound_s)
        if played is not None:
            sure = refitted(min(reading.bar_probability, SUREST), *PLAYED_BAR)
            reading = replace(reading, bar_probability=sure)
    return _assemble(f, lead_in, pulse, reading, beats, steady)


def followed(onsets: Onsets, pulse: Pulse, steady: float) -> Played | None:
    """Pulses followed from attack to attack, where the attacks are too loose for the other two kinds."""
    repetition, coherence, gain, _, _ = pulse.evidence
    if pulse.even or coherence + max(gain, 0.0) > LOOSE or (repetition > REPEATED and steady > 0.5):
        return None
    if steady > STEADY and even_support(onsets, pulse.period_s) > BORNE_OUT:
        return None
    played = track(onsets)
    return played if played is not None and played.uneven_s > EVEN_S else None


def _attacks(pulse: Pulse) -> int:
    return int(np.count_nonzero(np.diff(pulse.rise > ATTACK_DB, prepend=False)) + 1) // 2


def _why_none(pulse: Pulse) -> str:
    repetition = max(pulse.evidence[0], 0.0)
    return f"no steady beat: the attacks do not repeat evenly (repetition {repetition:.3f} of 1)"


def _if_any(reading: Reading, pulses: FloatArray) -> tuple[TempoCandidate, ...]:
    """Tempi that music without a steady beat has if it has one after all: the likeliest as probable as it is
    to be right, all together as a beat is at most."""
    pulse_bpm = 60.0 / float(np.median(np.diff(pulses)))
    likeliest = dict(reading.tempi)[reading.ratio]
    share = min(reading.beat_probability, reading.tempo_probability / max(likeliest, 1e-9))
    return tuple(TempoCandidate(round(pulse_bpm / ratio, 2), p * share) for ratio, p in reading.tempi)


def no_grid(reason: str, beat: float = 0.0, tempi: tuple[TempoCandidate, ...] = ()) -> Grid:
    """A grid that says that there is none; `beat` is the probability that there is one after all, `tempi`
    are those that it then has."""
    return Grid(
        tempo_bpm=None,
        tempo_confidence=beat,
        tempo_alternatives=tempi,
        constant_tempo=None,
        constant_confidence=0.0,
        meter=None,
        meter_confidence=0.0,
        beats_per_bar=None,
        bar_one_s=None,
        bar_one_confidence=0.0,
        pickup_beats=0.0,
        beats_s=(),
        downbeats=(),
        tempo_curve=(),
        proof=None,
        reason=reason,
    )


def _from_bar_one(
    tempi: tuple[tuple[float, float], ...], bar_one_s: float
) -> tuple[tuple[float, float], ...]:
    """The tempo curve with its first entry at bar one."""
    before = [bpm for at, bpm in tempi if at <= bar_one_s + 1e-6] or [tempi[0][1]]
    return ((bar_one_s, before[-1]), *(entry for entry in tempi if entry[0] > bar_one_s + 1e-6))


def _assemble(
    f: Features, lead_in: LeadIn, pulse: Pulse, reading: Reading, beats: Beats, steady: float
) -> Grid:
    first = lead_in.first_sound_s or 0.0
    times, n = beats.times_s, reading.beats
    lines = times[::n]
    found = first_bar(f.onsets, lines, float(times[1] - times[0]), first, voice=f.voice)
    bar_one = float(lines[found.index])
    if found.pickup_beats > 0 and not found.explained:
        found = replace(found, swell=grows_into(f.onsets, first, bar_one))
    from_s, to_s = _steady_part(f.onsets, pulse, beats, found, n, first)
    whole = from_s is None and to_s is None
    bar_one_sure, elsewhere = _bar_one(reading, found, lines, from_s)
    inside = np.flatnonzero((times >= min(bar_one, first - 0.025)) & (times <= f.duration_s))
    steady_count = beats.curve is None and not beats.restarts
    meter_sure, other_meters = _meter(reading, other_bars(f.onsets, times[inside], n))
    return Grid(
        tempo_bpm=round(beats.bpm, 6),
        tempo_confidence=reading.tempo_probability,
        tempo_alternatives=_tempi(reading, beats),
        constant_tempo=beats.curve is None,
        constant_confidence=min(max(steady, 1.0 - steady), 1.0 if whole else CONSTANT_IN_PART),
        meter=METER_NAMES[n],
        meter_confidence=meter_sure,
        beats_per_bar=n,
        bar_one_s=bar_one,
        bar_one_confidence=bar_one_sure,
        pickup_beats=found.pickup_beats,
        beats_s=tuple(float(t) for t in times[inside]),
        downbeats=tuple(bool(k % n == 0) for k in inside),
        tempo_curve=_from_bar_one(beats.curve or ((bar_one, round(beats.bpm, 6)),), bar_one),
        proof=prove(pulse, times, f.onsets.fine_rate),
        restarts=beats.restarts,
        swell_before=found.swell,
        voice_before=found.voice,
        other_start_before=found.other_start,
        count_in_before=found.count_in,
        steady_from_s=from_s,
        steady_to_s=to_s,
        bar_one_alternatives=elsewhere,
        meter_alternatives=other_meters,
        other_level=other_level(f.onsets, beats.bpm, lines) if steady_count else None,
    )


def _steady_part(
    onsets: Onsets, pulse: Pulse, beats: Beats, found: FirstBar, bar: int, first_sound_s: float
) -> tuple[float | None, float | None]:
    """`borne_out`, of a tempo that is constant; what lies before the song has a tempo of its own, or none."""
    if beats.curve is not None or beats.restarts:
        return None, None
    from_s, to_s = borne_out(onsets, pulse.rise, beats.times_s, bar, first_sound_s)
    return None if found.explained else from_s, to_s


def _tempi(reading: Reading, beats: Beats) -> tuple[TempoCandidate, ...]:
    """The tempo and what it may be instead."""
    too = counted_too(beats.bpm, reading.beats)
    tempi = beside_tempo(reading.tempo_probability, reading.ratio, reading.tempi, too)
    return tuple(TempoCandidate(round(beats.bpm * reading.ratio / r, 4), p) for r, p in tempi)


def _bar_one(
    reading: Reading, found: FirstBar, lines: FloatArray, from_s: float | None
) -> tuple[float, tuple[BarOneCandidate, ...]]:
    """How sure bar one is, and where it may be instead; where the beats are borne out from there first."""
    sure, elsewhere = reading.bar_probability * found.confidence, _other_places(reading, found)
    if from_s is None:
        return sure, elsewhere
    late = float((np.searchsorted(lines, from_s) - found.index) * reading.beats)
    return sure * IN_TEMPO, (BarOneCandidate(late, sure * (1.0 - IN_TEMPO)), *elsewhere)


def _meter(reading: Reading, other: str | None) -> tuple[float, tuple[MeterCandidate, ...]]:
    """Probability of the meter, and the others. The networks choose among even ones: bar lines that are
    hardly found may mean that it has none of these; `other` is the one that it rather has, or has in parts.
    """
    most = min(METER_BORNE * reading.bar_probability, SUREST if other is None else RATHER_OTHER)
    sure = min(reading.meter_probability, most)
    shares = {METER_NAMES[k]: p for k, p in reading.other_meters}
    if other is not None:
        shares = {m: p * sure / max(reading.meter_probability, sure) for m, p in shares.items()}
        shares[other] = shares.get(other, 0.0) + max(1.0 - sure - sum(shares.values()), 0.0)
    return sure, tuple(MeterCandidate(m, p) for m, p in sorted(shares.items(), key=lambda item: -item[1]))


def _other_places(reading: Reading, found: FirstBar) -> tuple[BarOneCandidate, ...]:
    """Where bar one may be instead: other bar lines, or the line beside it."""
    lines = beside(reading.bar_probability, reading.other_lines)
    places = [BarOneCandidate(late, p * found.confidence) for late, p in lines]
    if found.beside:
        doubt = reading.bar_probability * (1.0 - found.confidence)
        places.append(BarOneCandidate(float(found.beside * reading.beats), doubt))
    return tuple(sorted(places, key=lambda place: -place.probability))
